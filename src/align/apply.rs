//! Application of a registration: transforms written into the bracket, and pictures resampled for display.
use ndarray::Array3;
use rayon::prelude::*;
use stopspan_core::model::Bracket;
use stopspan_core::model::Registration;
use stopspan_core::raster::{Interpolation, Pixels, Point, Transform};

/// Writes each frame's transform into the bracket and adds the registration's findings. Frames without displacement keep `None`.
/// Frames that could not be registered would blur the radiance map; they are removed if at least two frames remain, and their
/// placements with them. Pixels are unchanged: the merge resamples linear radiance.
pub fn apply(mut bracket: Bracket, mut registration: Registration) -> (Bracket, Registration) {
    let placements = &registration.placements;
    for (frame, placement) in bracket.frames.iter_mut().zip(placements) {
        let moved = placement.found && placement.transform != Transform::IDENTITY;
        frame.transform = moved.then_some(placement.transform);
    }
    let found = placements.iter().filter(|p| p.found).count();
    if found >= 2 && found < bracket.frames.len() {
        let before = placements.iter().take(bracket.reference);
        bracket.reference -= before.filter(|p| !p.found).count();
        let mut of_frame = placements.iter();
        bracket
            .frames
            .retain(|_| of_frame.next().is_none_or(|p| p.found));
        registration.placements.retain(|p| p.found);
    }
    let findings = registration.findings.iter().cloned();
    bracket.findings.extend(findings);
    (bracket, registration)
}

/// Resamples a picture to the geometry of the reference frame, for display only (comparisons, outlines). Encoded samples are
/// interpolated with a cubic kernel; pixels without a source are 0. Shifts by whole pixels copy samples unchanged. No figure may be
/// derived from the result; the merge resamples radiance.
pub fn warp(pixels: &Pixels, transform: &Transform) -> Pixels {
    match pixels {
        Pixels::U8(a) => Pixels::U8(resampled(a, transform, f32::from, |v| {
            (v + 0.5).clamp(0.0, 255.0) as u8
        })),
        Pixels::U16(a) => Pixels::U16(resampled(a, transform, f32::from, |v| {
            (v + 0.5).clamp(0.0, 65535.0) as u16
        })),
        Pixels::F32(a) => Pixels::F32(resampled(a, transform, |v| v, |v| v)),
    }
}

/// [`warp`] for one sample type; `value` and `sample` convert to and from `f32`.
fn resampled<T: Copy + Default + Send + Sync>(
    from: &Array3<T>,
    transform: &Transform,
    value: impl Fn(T) -> f32 + Sync,
    sample: impl Fn(f32) -> T + Sync,
) -> Array3<T> {
    let (rows, columns, channels) = from.dim();
    let mut out = Array3::from_elem((rows, columns, channels), T::default());
    let Some(to) = out.as_slice_mut().filter(|s| !s.is_empty()) else {
        return out;
    };
    let whole = transform.whole_pixels();
    to.par_chunks_mut(columns * channels)
        .enumerate()
        .for_each(|(r, line)| {
            for (c, pixel) in line.chunks_exact_mut(channels).enumerate() {
                if let Some((x, y)) = whole {
                    let source = (r.checked_add_signed(y), c.checked_add_signed(x));
                    if let (Some(row), Some(column)) = source
                        && row < rows
                        && column < columns
                    {
                        for (k, v) in pixel.iter_mut().enumerate() {
                            *v = from[[row, column, k]];
                        }
                    }
                    continue;
                }
                let at = transform.apply(Point {
                    x: c as f64 + 0.5,
                    y: r as f64 + 0.5,
                });
                if let Some(at) = at {
                    interpolate(from, at, &value, |k, v| pixel[k] = sample(v));
                }
            }
        });
    out
}

/// Calls `put(channel, value)` with the interpolated values at a point, pixels; not at all if the kernel extends beyond the array.
fn interpolate<T: Copy>(
    from: &Array3<T>,
    at: Point,
    value: &impl Fn(T) -> f32,
    mut put: impl FnMut(usize, f32),
) {
    let (rows, columns, channels) = from.dim();
    let (across, down) = (
        Interpolation::Cubic.taps(at.x),
        Interpolation::Cubic.taps(at.y),
    );
    let inside = across.first >= 0
        && down.first >= 0
        && across.first as usize + across.len <= columns
        && down.first as usize + down.len <= rows;
    if !inside {
        return;
    }
    for k in 0..channels {
        let mut sum = 0.0;
        for (i, wy) in down.weights().iter().enumerate() {
            for (j, wx) in across.weights().iter().enumerate() {
                sum +=
                    wx * wy * value(from[[down.first as usize + i, across.first as usize + j, k]]);
            }
        }
        put(k, sum);
    }
}
