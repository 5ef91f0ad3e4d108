//! Resampled rows against the definition, pixel by pixel.
use super::super::sampling::{NO_VALUE, bound_of};
use super::*;
use proptest::prelude::*;
use stopspan_core::raster::{Interpolation, Point};

/// The definition: the weighted sum of samples at one position, and its noise gain. A position within a millionth of a pixel
/// of a centre is that centre.
fn slow(codes: &Array3<u8>, at: Option<Point>, channel: usize) -> (f32, f32) {
    let (rows, columns, _) = codes.dim();
    let settled = |v: f64| {
        let centre = v.floor() + 0.5;
        if (v - centre).abs() < 1e-6 { centre } else { v }
    };
    let at = at.map(|at| (settled(at.x), settled(at.y)));
    let Some((x, y)) = at.filter(|(x, y)| {
        (0.5..=columns as f64 - 0.5).contains(x) && (0.5..=rows as f64 - 0.5).contains(y)
    }) else {
        return (UNCOVERED, 1.0);
    };
    let (across, down) = (Interpolation::Cubic.taps(x), Interpolation::Cubic.taps(y));
    let mut sum = 0.0;
    for (i, wy) in down.weights().iter().enumerate() {
        for (k, wx) in across.weights().iter().enumerate() {
            let r = (down.first + i as isize).clamp(0, rows as isize - 1) as usize;
            let c = (across.first + k as isize).clamp(0, columns as isize - 1) as usize;
            if wx * wy != 0.0 {
                match codes[[r, c, channel]] {
                    255 => sum = f32::NAN,
                    code => sum += wx * wy * f32::from(code),
                }
            }
        }
    }
    if sum.is_nan() {
        sum = slow_beside_clipped(codes, (x, y), channel);
    }
    (sum, across.noise_gain() * down.noise_gain())
}

/// Linear interpolation; a bound with clipped samples at 300 where less than half of the pixel is clipped.
fn slow_beside_clipped(codes: &Array3<u8>, (x, y): (f64, f64), channel: usize) -> f32 {
    let (rows, columns, _) = codes.dim();
    let (mut sum, mut clipped) = (0.0, 0.0);
    for r in 0..rows {
        for c in 0..columns {
            let near = |a: f64, centre: usize| (1.0 - (a - centre as f64 - 0.5).abs()).max(0.0);
            let weight = near(x, c) * near(y, r);
            match codes[[r, c, channel]] {
                255 => (sum, clipped) = (sum + weight * 300.0, clipped + weight),
                code => sum += weight * f64::from(code),
            }
        }
    }
    match clipped {
        0.0 => sum as f32,
        share if share < 0.5 => at_least(sum as f32),
        _ => CLIPPED,
    }
}

/// All rows, read `height` at a time.
fn fast(codes: &Array3<u8>, transform: &Transform, height: usize) -> Vec<ResampledRow> {
    let (rows, columns, channels) = codes.dim();
    let light = |_: usize| {
        |code: u8| match code {
            255 => CLIPPED,
            code => f32::from(code),
        }
    };
    let mut lines = Vec::new();
    for first in (0..rows).step_by(height) {
        let strip = first..rows.min(first + height);
        let mut read = Resampler::new(columns, channels);
        read.read(codes, &strip, transform, (&[300.0; 4], light));
        lines.extend(read.lines.into_iter().take(strip.len()));
    }
    lines
}

/// The first pixel that differs from the definition, if any.
fn differs(codes: &Array3<u8>, transform: &Transform, lines: &[ResampledRow]) -> Option<String> {
    for (row, line) in lines.iter().enumerate() {
        for (column, noise_gain) in line.noise_gain.iter().enumerate() {
            let at = transform.apply(Point {
                x: column as f64 + 0.5,
                y: row as f64 + 0.5,
            });
            for (c, values) in line.channels.iter().enumerate() {
                let (fast, (slow, left)) = (values[column], slow(codes, at, c));
                let close = |a: f32, b: f32| (a - b).abs() < 1e-3;
                let same = match (fast < NO_VALUE, slow < NO_VALUE) {
                    (true, true) => close(fast, slow),
                    (false, false) => {
                        fast == slow
                            || fast.is_nan() && slow.is_nan()
                            || close(bound_of(fast), bound_of(slow))
                    }
                    _ => false,
                };
                if !same || (noise_gain - left).abs() > 1e-5 {
                    return Some(format!(
                        "{row} {column} {c}: {fast} {slow}, {noise_gain} {left}"
                    ));
                }
            }
        }
    }
    None
}

proptest! {
    #[test]
    fn rows_are_those_of_the_definition(
        codes in prop::collection::vec(0u8..=255, 13 * 17 * 3),
        clipped_from in 180u8..=255,
        degrees in prop_oneof![Just(0.0), -4.0..4.0f64, -180.0..180.0f64],
        x in prop_oneof![(-3i32..4).prop_map(f64::from), -3.0..3.0f64, -40.0..40.0f64],
        y in prop_oneof![(-3i32..4).prop_map(f64::from), -3.0..3.0f64, -40.0..40.0f64],
        tilt in prop_oneof![Just(0.0), -0.2..0.2f64],
    ) {
        let codes = codes.iter().map(|&v| if v >= clipped_from { 255 } else { v });
        let codes = Array3::from_shape_vec((13, 17, 3), codes.collect()).unwrap();
        let mut transform = Transform::turn(Point { x: 8.5, y: 6.5 }, degrees, x, y);
        transform.0[2][0] = tilt;
        let lines = fast(&codes, &transform, ROWS);
        prop_assert_eq!(differs(&codes, &transform, &lines), None);
    }
}

/// Frames of several tiles and of one, three and four channels: as by the definition, and the same bits whichever rows are
/// read together.
#[test]
fn tiles_leave_no_trace() {
    let mut random = 1u32;
    for channels in [1, 3, 4] {
        let codes = Array3::from_shape_simple_fn((37, 2 * COLUMNS + 45, channels), || {
            random = random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (random >> 24) as u8
        });
        for degrees in [0.0, 0.3, -5.0] {
            let transform = Transform::turn(Point { x: 250.0, y: 20.0 }, degrees, 1.25, -2.5);
            let lines = fast(&codes, &transform, ROWS);
            assert_eq!(differs(&codes, &transform, &lines), None);
            for (a, b) in lines.iter().zip(fast(&codes, &transform, 7)) {
                let bits =
                    |l: &ResampledRow| l.channels.iter().flatten().map(|v| v.to_bits()).collect();
                let (a, b): (Vec<u32>, Vec<u32>) = (bits(a), bits(&b));
                assert_eq!(a, b);
            }
        }
    }
}
