//! A row of a frame that lies elsewhere, interpolated in linear light.
use super::sampling::{CLIPPED, UNCOVERED};
use crate::raster::{Interpolation, Point, Taps, Transform};
use ndarray::Array3;

/// How frames that are moved by fractions of a pixel are read, in linear light.
pub(super) const READING: Interpolation = Interpolation::Cubic;
/// Distance of which nothing is seen, pixels.
const NEAR: f64 = 1e-6;

/// What to read: a row of the reference, through the map to the frame, and the first of the channels.
#[derive(Clone, Copy)]
pub(super) struct Place<'a> {
    pub row: usize,
    pub transform: &'a Transform,
    pub first: usize,
}

/// Fills a row of `N` channels, and what interpolation leaves of the variance of their noise; `light` gives the radiance of a
/// channel's sample, [`CLIPPED`] where that is clipped. A place is clipped where a sample with weight is, whatever the sign of
/// its weight. At the border the outermost pixels are repeated.
pub(super) fn read<T: Copy, const N: usize>(
    samples: &Array3<T>,
    place: Place,
    light: impl Fn(usize, T) -> f32,
    (out, energy): (&mut [Vec<f32>], &mut [f32]),
) {
    let (rows, columns, channels) = samples.dim();
    let all = samples.as_slice().unwrap_or_default();
    let width = columns * channels;
    for (column, energy) in energy.iter_mut().enumerate() {
        let at = place.transform.apply(Point {
            x: column as f64 + 0.5,
            y: place.row as f64 + 0.5,
        });
        let at = at.map(settled);
        let Some(at) = at.filter(|at| covered(*at, (rows, columns))) else {
            *energy = 1.0;
            out.iter_mut().for_each(|o| o[column] = UNCOVERED);
            continue;
        };
        let (across, down) = (READING.taps(at.x), READING.taps(at.y));
        *energy = across.energy() * down.energy();
        let (across, down) = (with_weight(across), with_weight(down));
        let start = |k: usize| inside(across.first + k as isize, columns) * channels + place.first;
        let starts: [usize; 4] = std::array::from_fn(start);
        let mut sums = [0f32; N];
        for (i, &wy) in down.weights().iter().enumerate() {
            let line = &all[inside(down.first + i as isize, rows) * width..][..width];
            let mut sum = [0f32; N];
            for (&start, &wx) in starts.iter().zip(across.weights()) {
                let pixel = &line[start..start + N];
                for (c, sum) in sum.iter_mut().enumerate() {
                    *sum += wx * light(c, pixel[c]);
                }
            }
            for (total, sum) in sums.iter_mut().zip(sum) {
                *total += wy * sum;
            }
        }
        for (out, sum) in out.iter_mut().zip(sums) {
            // A clipped sample, infinite, leaves nothing finite behind.
            out[column] = if sum.is_finite() { sum } else { CLIPPED };
        }
    }
}

/// A place nearer to a pixel's centre than [`NEAR`] is that centre: a neighbour of so little weight must not make it clipped.
#[inline]
fn settled(at: Point) -> Point {
    let settled = |v: f64| {
        let centre = (v as isize) as f64 + 0.5;
        if (v - centre).abs() < NEAR { centre } else { v }
    };
    Point {
        x: settled(at.x),
        y: settled(at.y),
    }
}

#[inline]
fn covered(at: Point, (rows, columns): (usize, usize)) -> bool {
    at.x >= 0.5 && at.y >= 0.5 && at.x <= columns as f64 - 0.5 && at.y <= rows as f64 - 0.5
}

#[inline]
fn inside(index: isize, size: usize) -> usize {
    index.clamp(0, size as isize - 1) as usize
}

/// At a pixel's centre that pixel alone, so that the others need not be finite.
#[inline]
fn with_weight(taps: Taps) -> Taps {
    if taps.weights[0] != 0.0 || taps.weights[2] != 0.0 {
        return taps;
    }
    Taps {
        first: taps.first + 1,
        len: 1,
        weights: [1.0, 0.0, 0.0, 0.0, 0.0, 0.0],
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The definition: every sample with weight, one after the other, at one place.
    fn slow(codes: &Array3<u8>, at: Option<Point>, channel: usize) -> f32 {
        let (rows, columns, _) = codes.dim();
        let Some(at) = at.map(settled).filter(|at| {
            (0.5..=columns as f64 - 0.5).contains(&at.x)
                && (0.5..=rows as f64 - 0.5).contains(&at.y)
        }) else {
            return UNCOVERED;
        };
        let (across, down) = (READING.taps(at.x), READING.taps(at.y));
        let mut sum = 0.0;
        for (i, wy) in down.weights().iter().enumerate() {
            for (k, wx) in across.weights().iter().enumerate() {
                let r = (down.first + i as isize).clamp(0, rows as isize - 1) as usize;
                let c = (across.first + k as isize).clamp(0, columns as isize - 1) as usize;
                if wx * wy != 0.0 {
                    match codes[[r, c, channel]] {
                        255 => return CLIPPED,
                        code => sum += wx * wy * f32::from(code),
                    }
                }
            }
        }
        sum
    }

    proptest! {
        #[test]
        fn rows_are_those_of_the_definition(
            codes in prop::collection::vec(0u8..=255, 13 * 17 * 3),
            clipped_from in 180u8..=255,
            degrees in prop_oneof![Just(0.0), -4.0..4.0f64],
            x in prop_oneof![(-3i32..4).prop_map(f64::from), -3.0..3.0f64],
            y in prop_oneof![(-3i32..4).prop_map(f64::from), -3.0..3.0f64],
        ) {
            let codes = codes.iter().map(|&v| if v >= clipped_from { 255 } else { v });
            let codes = Array3::from_shape_vec((13, 17, 3), codes.collect()).unwrap();
            let light = |_: usize, code: u8| if code == 255 { CLIPPED } else { f32::from(code) };
            let transform = Transform::turn(Point { x: 8.5, y: 6.5 }, degrees, x, y);
            for row in 0..13 {
                let mut out = vec![vec![0.0; 17]; 3];
                let mut energy = vec![0.0; 17];
                let place = Place { row, transform: &transform, first: 0 };
                read::<u8, 3>(&codes, place, light, (&mut out, &mut energy));
                for column in 0..17 {
                    let at = transform.apply(Point { x: column as f64 + 0.5, y: row as f64 + 0.5 });
                    for (c, out) in out.iter().enumerate() {
                        let (fast, slow) = (out[column], slow(&codes, at, c));
                        let same = fast == slow || fast.is_nan() && slow.is_nan() || (fast - slow).abs() < 1e-3;
                        prop_assert!(same, "{row} {column} {c}: {fast} {slow}");
                    }
                }
            }
        }
    }
}
