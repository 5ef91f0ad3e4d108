//! Simulated raw frames: stationary, displaced, noise only, and with a moving object.
use super::*;
use ndarray::Array3;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use stopspan_core::model::Frame;
use stopspan_core::model::{Format, Raw};
use stopspan_core::raster::Mosaic;
use stopspan_core::units::Estimate;

const SIZE: (usize, usize) = (400, 480);

/// Sine waves with wavelengths of 8 to 60 pixels in all directions: angular frequencies along x and y, and phase, radians.
fn waves(seed: u64) -> Vec<[f64; 3]> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut wave = || {
        let turn: f64 = random.random_range(0.0..std::f64::consts::TAU);
        let rate = std::f64::consts::TAU / random.random_range(8.0..60.0);
        [rate * turn.cos(), rate * turn.sin(), turn * 7.0]
    };
    (0..20).map(|_| wave()).collect()
}

/// Radiance at a point of the scene, over about six stops; 1 clips the reference frame.
fn light(waves: &[[f64; 3]], x: f64, y: f64) -> f64 {
    let sum: f64 = waves
        .iter()
        .map(|w| (w[0] * x + w[1] * y + w[2]).sin())
        .sum();
    (-6.0 + 4.5 * x / SIZE.1 as f64 + 0.2 * sum).exp2()
}

/// A frame with a full well of 30 000 electrons and a read noise of 4; `to` maps pixels of the frame to points of the scene.
fn frame(
    exposure: f64,
    seed: u64,
    scene: impl Fn(f64, f64) -> f64,
    to: impl Fn(f64, f64) -> (f64, f64),
) -> Frame {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let codes = Array3::from_shape_fn((SIZE.0, SIZE.1, 4), |(r, c, _)| {
        let (x, y) = to(c as f64 + 0.5, r as f64 + 0.5);
        let electrons = (30_000.0 * exposure * scene(x, y)).min(30_000.0);
        let deviate: f64 = StandardNormal.sample(&mut random);
        let signal = electrons + deviate * (electrons + 16.0).sqrt();
        (512.0 + signal / 30_000.0 * 15_871.0)
            .round()
            .clamp(0.0, 16_383.0) as u16
            * 4
    });
    let level = |code: f64| 4.0 * code / 65_535.0;
    let exposure = Estimate::new(exposure.log2(), 0.01);
    let mut frame = Frame::of_pixels("frame.dng", Pixels::U16(codes), exposure);
    frame.picture.format = Format::Dng;
    frame.picture.raw = Some(Box::new(Raw {
        mosaic: Mosaic::new([0, 1, 1, 2]),
        black: vec![level(512.0); 4],
        white: vec![level(16_383.0); 4],
        code: level(1.0),
        ..Raw::default()
    }));
    frame
}

fn bracket(frames: Vec<Frame>) -> Bracket {
    Bracket::new("raw", frames, 0)
}

fn pair(seed: u64, to: impl Fn(f64, f64) -> (f64, f64)) -> Bracket {
    let waves = waves(seed);
    let scene = |x: f64, y: f64| light(&waves, x, y);
    bracket(vec![
        frame(1.0, seed, scene, |x, y| (x, y)),
        frame(4.0, seed + 50, scene, to),
    ])
}

/// Frames two stops apart, the longer one partly clipped: the mean shift is below 0.005 pixel, and the scatter of the tiles agrees with
/// their stated standard uncertainty.
#[test]
fn stationary_frames_agree_within_stated_uncertainty() {
    let (mut sum, mut squares, mut count) = ([0.0; 2], 0.0, 0.0);
    for seed in 0..6 {
        let found = register_stationary(&pair(seed, |x, y| (x, y)), 0.05).expect("still");
        let tiles = &found.placements[1].tiles;
        assert!(tiles.len() >= 40, "{}", tiles.len());
        for t in tiles {
            sum[0] += t.columns;
            sum[1] += t.rows;
            squares += (t.columns.powi(2) + t.rows.powi(2)) / 2.0 / t.standard_uncertainty.powi(2);
            count += 1.0;
        }
    }
    let (off, spread) = (sum.map(|s| s / count), (squares / count).sqrt());
    assert!(off.iter().all(|o| o.abs() < 0.005), "{off:?}");
    assert!((0.7..1.1).contains(&spread), "{spread}");
}

/// Tiles measure a shift correctly; frames with a shift or a rotation are not stationary.
#[test]
fn displaced_frames_are_not_stationary() {
    for shift in [0.15, -0.4] {
        let moved = pair(9, |x, y| (x - shift, y));
        assert!(register_stationary(&moved, 0.05).is_none(), "{shift}");
        let views = [0, 1].map(|j| View::new(&moved, j).unwrap());
        let corners = (0..5).flat_map(|i| (0..4).map(move |k| (10 + 60 * i, 10 + 50 * k)));
        let found: Vec<f64> = corners
            .filter_map(|corner| Some(tile_shift(&views[0], &views[1], corner)?.columns))
            .collect();
        let mean = found.iter().sum::<f64>() / found.len() as f64;
        assert!(
            found.len() > 12 && (mean / shift - 1.0).abs() < 0.05,
            "{mean}"
        );
    }
    for shift in [3.0, 40.0] {
        assert!(register_stationary(&pair(9, |x, y| (x, y + shift)), 0.05).is_none());
    }
    let turned = pair(9, |x, y| (x + 0.002 * (y - 200.0), y - 0.002 * (x - 240.0)));
    assert!(register_stationary(&turned, 0.05).is_none());
}

/// Frames of noise only are not registered; an object moving in one corner leaves the frame stationary.
#[test]
fn noise_is_not_stationary_and_a_moving_object_does_not_matter() {
    let flat = |_: f64, _: f64| 0.1;
    let here = |x: f64, y: f64| (x, y);
    let frames = vec![frame(1.0, 1, flat, here), frame(4.0, 2, flat, here)];
    assert!(register_stationary(&bracket(frames), 0.05).is_none());
    let inside = |x: f64, y: f64| (70.0..100.0).contains(&x) && (70.0..100.0).contains(&y);
    let part = pair(5, |x, y| if inside(x, y) { (x + 5.0, y) } else { (x, y) });
    assert!(register_stationary(&part, 0.05).is_some());
}
