//! Noise, visible range, local tones and clipped shares of a camera's picture, each of known size.
use super::comparison::{SIZE, curve, picture, with_merge};
use super::texture::frame;
use crate::published::srgb::{to_level, to_linear};
use ndarray::Array3;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use stopspan_core::raster::Pixels;
use stopspan_core::results::{Comparison, Quantity, ToneKind};
use stopspan_measure::compare::{D65, lab, xyz};

/// log2 radiance of a column: forty even steps over nine and a half stops.
fn stops(column: usize) -> f64 {
    -10.0 + 9.5 * (column / 16) as f64 / 40.0
}

/// A camera's picture of the steps against a merge of them with 1 % of noise.
fn compared(own: impl Fn(usize, usize) -> f64, noise: f64) -> Comparison {
    let mut random = ChaCha8Rng::seed_from_u64(90);
    let normal = Normal::new(0.0, 0.01).unwrap();
    let radiance = Array3::from_shape_fn((SIZE.0, SIZE.1, 3), |(_, c, _)| {
        (stops(c).exp2() * (1.0 + normal.sample(&mut random))) as f32
    });
    let seen = picture(|_, c| to_level(stops(c).exp2()), 0.6, 91);
    let own = Pixels::U8(picture(own, noise, 92));
    with_merge(radiance, vec![frame(seen, 1.0)], &own, None).comparison
}

fn lightness(level: f64) -> f64 {
    lab(xyz([to_linear(level.clamp(0.0, 1.0)); 3]), D65)[0]
}

/// Levels a stop of the camera's curve.
fn slope(stops: f64) -> f64 {
    (curve((stops + 0.05).exp2()) - curve((stops - 0.05).exp2())) / 0.1
}

/// Noise of one pixel in stops: of the merge 1 %, of the camera its codes (with those of rounding, 1/12) over the slope.
#[test]
fn noise_is_told_in_stops_of_light() {
    const CODES: f64 = 2.4;
    let found = compared(|_, c| curve(stops(c).exp2()), CODES);
    let deviation = (CODES * CODES + 1.0 / 12.0f64).sqrt() / 255.0;
    for (quantity, low, high) in [
        (Quantity::NoiseDark, 15.0, 40.0),
        (Quantity::NoiseMiddle, 40.0, 65.0),
        (Quantity::NoiseLight, 65.0, 90.0),
    ] {
        let mut expected: Vec<f64> = (0..SIZE.1)
            .step_by(16)
            .filter(|&c| (low..high).contains(&lightness(curve(stops(c).exp2()))))
            .map(|c| deviation / slope(stops(c)))
            .collect();
        expected.sort_by(f64::total_cmp);
        let expected = expected[expected.len() / 2];
        let row = found.quantity(quantity).unwrap();
        let (camera, merge) = (row.camera_hdr.unwrap().value, row.merge.unwrap().value);
        assert!(
            (camera / expected - 1.0).abs() < 0.1,
            "{quantity:?}: {camera}, {expected}"
        );
        let one = 0.01 * std::f64::consts::LOG2_E;
        assert!(
            (merge / one - 1.0).abs() < 0.04,
            "{quantity:?}: {merge}, {one}"
        );
        assert_eq!(row.against_merge.unwrap().tie, Some(false), "{row:?}");
    }
}

/// The range over which 0.10 density moves L* by 1, from the true curve.
#[test]
fn visible_range_is_that_of_the_curve() {
    let found = compared(|_, c| curve(stops(c).exp2()), 0.8);
    let knots = &found.tone.as_ref().unwrap().knots;
    let (low, high) = (knots[0].stops, knots[knots.len() - 1].stops);
    let half = 0.05 / 2f64.log10();
    let seen = (0..2000)
        .map(|i| low + (high - low) * (f64::from(i) + 0.5) / 2000.0)
        .filter(|s| {
            let shown = |stops: f64| lightness(curve(stops.exp2()));
            shown(s + half) - shown(s - half) >= 1.0
        });
    let expected = seen.count() as f64 * (high - low) / 2000.0;
    let got = found.quantity(Quantity::VisibleStops).unwrap();
    let got = got.camera_hdr.unwrap().value;
    assert!((got - expected).abs() < 0.3, "{got}, {expected}");
}

/// Upper half made lighter: no one curve.
#[test]
fn tones_mapped_by_place_are_said() {
    let own = |r: usize, c: usize| curve(stops(c).exp2()) * if r < 240 { 0.97 } else { 0.87 };
    let tone = compared(own, 0.8).tone.unwrap();
    assert_eq!(tone.kind, ToneKind::Local);
    assert!(tone.off_curve.value > 0.4, "{:?}", tone.off_curve);
    let (mut above, mut below) = (0, 0);
    for tile in &tone.tiles {
        if tile.region.top + tile.region.height <= 240 {
            assert!(tile.offset > -0.01, "{tile:?}");
            above += 1;
        } else if tile.region.top >= 240 {
            assert!(tile.offset < 0.01, "{tile:?}");
            below += 1;
        }
    }
    println!("{above} tiles above, {below} below");
    assert!(above >= 4 && below >= 4, "{above} {below}");
}

#[test]
fn shares_at_white_and_at_black_are_counted() {
    let own = |_: usize, c: usize| match c {
        0..32 => 0.0,
        560.. => 1.0,
        _ => curve(stops(c).exp2()),
    };
    let found = compared(own, 0.3);
    for (quantity, expected) in [(Quantity::Crushed, 32.0), (Quantity::Clipped, 80.0)] {
        let got = found.quantity(quantity).unwrap().camera_hdr.unwrap().value;
        assert!(
            (got - expected / 640.0).abs() < 0.002,
            "{quantity:?}: {got}"
        );
    }
}
