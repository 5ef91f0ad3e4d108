//! Exposure fusion of frames (Mertens, Kautz and Van Reeth 2007), without radiance or response.
//!
//! Pixels are weighted by contrast, saturation and closeness to mid level, and blended in a Laplacian pyramid. Levels
//! remain the camera's own, and the method does not preserve the order of luminances: the result is for viewing only.
use super::bands::{collapsed, pyramid};
use super::colour::{Encoder, Mixing, within_gamut};
use super::paint::Coding;
use super::settings::OutputColour;
use ndarray::{Array2, Array3, Zip};
use rayon::prelude::*;
use stopspan_core::raster::{Interpolation, Pixels, Point, Transform, expand};
use stopspan_core::units::{Primaries, srgb_exposure, srgb_level};

/// Standard deviation of the weight around mid level (the paper's sigma).
const SIGMA: f32 = 0.2;
/// Weights of the grey picture: luma of ITU-R BT.601, as in the authors' own program (from memory).
const GREY: [f32; 3] = [0.299, 0.587, 0.114];
/// Added to weights, so that a pixel of weight 0 in all frames becomes their mean.
const LEAST: f32 = 1e-12;

/// A frame to be fused.
#[derive(Debug, Clone, Copy)]
pub struct FusedFrame<'a> {
    /// Encoded samples, or linear float ones.
    pub pixels: &'a Pixels,
    /// Maps reference-frame pixels to pixels of this frame; `None` for the identity.
    pub transform: Option<Transform>,
}

/// Fuses frames to full-range 16-bit codes of shape (rows, columns, 3) in `output`, encoded after IEC 61966-2-1. The
/// result has the size of the first frame; `primaries` are those of the frames. A registered frame has no weight
/// where it does not cover the picture. The exponents of the three weights are 1, as in the paper.
pub fn fuse(frames: &[FusedFrame], primaries: Primaries, output: OutputColour) -> Array3<u16> {
    let Some((rows, columns, _)) = frames.first().map(|f| f.pixels.dim()) else {
        return Array3::zeros((0, 0, 3));
    };
    let weights = normalised(
        frames
            .par_iter()
            .map(|f| weight(f, (rows, columns)))
            .collect(),
    );
    let depth = rows.min(columns).max(1).ilog2() as usize;
    let mut sums: [Vec<Array2<f32>>; 3] = Default::default();
    for (frame, weights) in frames.iter().zip(weights) {
        let weights = pyramid(weights, depth);
        for (k, sum) in sums.iter_mut().enumerate() {
            let bands = differences(plane(frame, (rows, columns), k), depth);
            for (level, (band, weight)) in bands.into_iter().zip(&weights).enumerate() {
                let part = band * weight;
                match sum.get_mut(level) {
                    Some(sum) => *sum += &part,
                    None => sum.push(part),
                }
            }
        }
    }
    encode(&sums.map(collapsed), primaries, output)
}

/// Levels of one channel in the reference frame's geometry; NaN outside the frame. Linear float samples are encoded
/// after IEC 61966-2-1, because the method is designed for levels.
fn plane(frame: &FusedFrame, (rows, columns): (usize, usize), channel: usize) -> Array2<f32> {
    let (height, width, channels) = frame.pixels.dim();
    let k = channel.min(channels.saturating_sub(1));
    let linear = matches!(frame.pixels, Pixels::F32(_));
    let level = |r: usize, c: usize| {
        let v = frame.pixels.level(r, c, k);
        if linear {
            srgb_level(f64::from(v.clamp(0.0, 1.0))) as f32
        } else {
            v
        }
    };
    let mut out = Array2::zeros((rows, columns));
    let lines = out.as_slice_mut().unwrap_or_default();
    lines
        .par_chunks_mut(columns.max(1))
        .enumerate()
        .for_each(|(r, line)| {
            for (c, value) in line.iter_mut().enumerate() {
                *value = match frame.transform {
                    None if r < height && c < width => level(r, c),
                    None => f32::NAN,
                    Some(transform) => {
                        let at = Point {
                            x: c as f64 + 0.5,
                            y: r as f64 + 0.5,
                        };
                        let there = transform.apply(at);
                        there.map_or(f32::NAN, |p| between(p, (height, width), &level))
                    }
                };
            }
        });
    out
}

/// Interpolated level; NaN outside the frame.
fn between(
    at: Point,
    (rows, columns): (usize, usize),
    level: &impl Fn(usize, usize) -> f32,
) -> f32 {
    let inside = |v: f64, n: usize| (0.0..=n as f64).contains(&v);
    if !inside(at.x, columns) || !inside(at.y, rows) {
        return f32::NAN;
    }
    let (across, down) = (
        Interpolation::Linear.taps(at.x),
        Interpolation::Linear.taps(at.y),
    );
    let held = |i: isize, n: usize| i.clamp(0, n as isize - 1) as usize;
    let mut sum = 0.0;
    for (i, wy) in (down.first..).zip(down.weights()) {
        for (j, wx) in (across.first..).zip(across.weights()) {
            sum += wx * wy * level(held(i, rows), held(j, columns));
        }
    }
    sum
}

/// Contrast (absolute Laplacian of the grey picture) times saturation (standard deviation of the channels) times
/// well-exposedness (product of Gaussians over the channels), section 3.1 of the paper.
fn weight(frame: &FusedFrame, size: (usize, usize)) -> Array2<f32> {
    let [r, g, b] = [0, 1, 2].map(|k| plane(frame, size, k));
    let mut weight = Zip::from(&r).and(&g).and(&b).map_collect(|&r, &g, &b| {
        let mean = (r + g + b) / 3.0;
        let spread = [r, g, b].map(|v| (v - mean) * (v - mean));
        let saturation = ((spread[0] + spread[1] + spread[2]) / 3.0).sqrt();
        let off: f32 = [r, g, b].map(|v| (v - 0.5) * (v - 0.5)).iter().sum();
        saturation * (-off / (2.0 * SIGMA * SIGMA)).exp()
    });
    let grey = Zip::from(&r)
        .and(&g)
        .and(&b)
        .map_collect(|&r, &g, &b| GREY[0] * r + GREY[1] * g + GREY[2] * b);
    let (rows, columns) = size;
    // the picture is mirrored at its border without repeating the edge pixel
    let mirrored = |i: usize, n: usize, step: isize| match i as isize + step {
        -1 => 1.min(n - 1),
        j if j >= n as isize => n.saturating_sub(2),
        j => j as usize,
    };
    Zip::indexed(&mut weight).for_each(|(r, c), weight| {
        let (up, down) = (mirrored(r, rows, -1), mirrored(r, rows, 1));
        let (left, right) = (mirrored(c, columns, -1), mirrored(c, columns, 1));
        let around = grey[[up, c]] + grey[[down, c]] + grey[[r, left]] + grey[[r, right]];
        let contrast = (around - 4.0 * grey[[r, c]]).abs();
        *weight *= contrast;
        // next to a pixel outside the frame the contrast is undefined
        if weight.is_nan() && !grey[[r, c]].is_nan() {
            *weight = 0.0;
        }
    });
    weight
}

/// Weights of all frames, normalised to a sum of 1 at each pixel; 0 outside a frame.
fn normalised(mut weights: Vec<Array2<f32>>) -> Vec<Array2<f32>> {
    let mut sum = Array2::<f32>::zeros(weights.first().map_or((0, 0), Array2::dim));
    for weight in &mut weights {
        weight.mapv_inplace(|w| if w.is_nan() { 0.0 } else { w + LEAST });
        sum += &*weight;
    }
    for weight in &mut weights {
        Zip::from(weight)
            .and(&sum)
            .for_each(|w, &s| *w = if s > 0.0 { *w / s } else { 0.0 });
    }
    weights
}

/// Bands of a Laplacian pyramid (Burt and Adelson 1983); the last is the low-pass remainder. Pixels without data are
/// set to mid level: they have no weight, and mid level affects their surroundings least.
fn differences(plane: Array2<f32>, depth: usize) -> Vec<Array2<f32>> {
    let mut levels = pyramid(plane.mapv(|v| if v.is_nan() { 0.5 } else { v }), depth);
    for k in 0..depth {
        let (rows, columns) = levels[k].dim();
        let coarse = expand(&levels[k + 1], rows, columns);
        levels[k] -= &coarse;
    }
    levels
}

/// Levels 0..=1 in the frames' colour space -> codes of the output's.
fn encode([r, g, b]: &[Array2<f32>; 3], primaries: Primaries, output: OutputColour) -> Array3<u16> {
    let (rows, columns) = r.dim();
    let same = primaries.near(&output.primaries());
    let mixing = Mixing::new(primaries, output.primaries());
    let encoder = Encoder::new();
    let mut out = Array3::zeros((rows, columns, 3));
    let samples = r.iter().zip(g).zip(b);
    let pixels = out
        .as_slice_mut()
        .unwrap_or_default()
        .as_chunks_mut::<3>()
        .0;
    for (out, ((r, g), b)) in pixels.iter_mut().zip(samples) {
        let levels = [*r, *g, *b].map(|v| v.clamp(0.0, 1.0));
        *out = if same {
            levels.map(|v| (65535.0 * v + 0.5) as u16)
        } else {
            let light = levels.map(|v| srgb_exposure(f64::from(v)) as f32);
            let y = (0..3)
                .map(|k| mixing.weights[k] * light[k])
                .sum::<f32>()
                .max(1e-9);
            let (mixed, shown) = (mixing.mix(light), y.min(1.0));
            within_gamut(mixed.map(|c| (c - y) * shown / y), shown, 1.0).map(|v| encoder.code(v))
        };
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(level: u8) -> Pixels {
        Pixels::U8(Array3::from_shape_fn((20, 30, 3), |(r, c, k)| {
            level.saturating_add((r + 2 * c + 5 * k) as u8)
        }))
    }

    #[test]
    fn a_frame_alone_comes_back() {
        for transform in [None, Some(Transform::IDENTITY)] {
            let pixels = frame(40);
            let one = FusedFrame {
                pixels: &pixels,
                transform,
            };
            let out = fuse(&[one], Primaries::SRGB, OutputColour::Srgb);
            for ((r, c, k), code) in out.indexed_iter() {
                let wanted = 65535.0 * pixels.level(r, c, k);
                assert!((f32::from(*code) - wanted).abs() < 3.0, "{r} {c} {k}");
            }
        }
    }

    #[test]
    fn what_a_frame_does_not_reach_is_taken_from_the_others() {
        let (near, far) = (frame(60), frame(200));
        let away = FusedFrame {
            pixels: &far,
            transform: Some(Transform::shift(500.0, 0.0)),
        };
        let here = FusedFrame {
            pixels: &near,
            transform: None,
        };
        let both = fuse(&[here, away], Primaries::SRGB, OutputColour::Srgb);
        assert_eq!(both, fuse(&[here], Primaries::SRGB, OutputColour::Srgb));
    }

    #[test]
    fn nothing_small_or_empty_is_too_small() {
        assert_eq!(
            fuse(&[], Primaries::SRGB, OutputColour::Srgb).dim(),
            (0, 0, 3)
        );
        for size in [(1, 1), (1, 9), (7, 1), (2, 3)] {
            let pixels = Pixels::U8(Array3::from_elem((size.0, size.1, 1), 77));
            let one = FusedFrame {
                pixels: &pixels,
                transform: None,
            };
            let out = fuse(&[one, one], Primaries::SRGB, OutputColour::DisplayP3);
            assert!(out.iter().all(|&v| v.abs_diff(77 * 257) <= 3), "{size:?}");
        }
    }
}
