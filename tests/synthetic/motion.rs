//! Motion against noise on frames whose noise is known: what is found by size, what is found where nothing moved, and what
//! is said of the pixels that lost frames.
use ndarray::{Array2, Array3};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use stopspan_core::model::Bracket;
use stopspan_core::model::{Motion, Noise, NoiseModel, NoiseSource, flag};
use stopspan_core::model::{Response, ResponseCurve, ResponseMethod};
use stopspan_core::raster::Pixels;
use stopspan_merge::{Merger, MotionSettings, motion};

pub(super) const ROWS: usize = 480;
pub(super) const COLUMNS: usize = 720;
/// Variance per unit exposure, and at none; exposure 1 clips.
pub(super) const SHOT: f64 = 1.0 / 9000.0;
pub(super) const READ: f64 = 2.0e-7;

/// log2 radiance, slow.
pub(super) fn scene(row: usize, column: usize) -> f64 {
    let (y, x) = (row as f64 / 90.0, column as f64 / 120.0);
    -3.5 + 1.5 * (x + 0.4 * y).sin() * (0.9 * y).cos()
}

/// Linear 16-bit frames, reference in the middle; `change` gives the factor of light at a pixel of a frame.
pub(super) fn bracket(
    stops: &[f64],
    seed: u64,
    change: impl Fn(usize, usize, usize) -> f64,
) -> Bracket {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let normal = Normal::new(0.0, 1.0).unwrap();
    let mut frames = Vec::new();
    for (j, stop) in stops.iter().enumerate() {
        let levels = Array3::from_shape_fn((ROWS, COLUMNS, 1), |(r, c, _)| {
            let x = (scene(r, c) + stop).exp2() * change(j, r, c);
            let noisy = x + (SHOT * x + READ).sqrt() * normal.sample(&mut random);
            (65535.0 * noisy.clamp(0.0, 1.0)).round() as u16
        });
        let mut frame = super::texture::frame(Array3::zeros((1, 1, 3)), stop.exp2());
        frame.picture.pixels = Pixels::U16(levels);
        frames.push(frame);
    }
    Bracket::new("motion", frames, stops.len() / 2)
}

pub(super) fn known() -> (Response, Noise) {
    let response = Response {
        method: ResponseMethod::Linear,
        curves: vec![ResponseCurve::linear(4096, 1.0)],
        residual_stops: 0.0,
        samples: 0,
    };
    let model = NoiseModel {
        shot: SHOT,
        read_variance: READ,
        code_variance: 0.0,
    };
    let noise = Noise {
        channels: vec![model],
        groups: 9,
        source: NoiseSource::Measured,
    };
    (response, noise)
}

pub(super) fn found(bracket: &Bracket, settings: &MotionSettings) -> Option<Motion> {
    let (response, noise) = known();
    motion::find(bracket, &response, &noise, settings).unwrap()
}

fn mask(motion: Option<&Motion>) -> Array2<bool> {
    let mut out = Array2::from_elem((ROWS, COLUMNS), false);
    for row in 0..ROWS {
        for columns in motion.iter().flat_map(|m| m.moved_in(row, COLUMNS)) {
            out.slice_mut(ndarray::s![row, columns]).fill(true);
        }
    }
    out
}

/// Places of things `side` pixels wide, on no grid of blocks, over less than a twentieth of the picture: where more than a tenth
/// of what has one level moves, the calibration takes part of that for noise.
fn thing(side: usize, row: usize, column: usize) -> bool {
    let apart = if side > 8 { 120 } else { 40 };
    let (i, k) = (row / apart, column / apart);
    let (top, left) = (10 + (7 * i + 3 * k) % 4, 10 + (5 * k + i) % 4);
    (top..top + side).contains(&(row % apart)) && (left..left + side).contains(&(column % apart))
}

/// What departs by five standard deviations of a pixel's difference is found from 4 x 4 pixels up (by blocks of 4 x 4 pixels, for
/// large frames, from 8 x 8 up); smaller things fall among the areas that are too small to be believed.
#[test]
fn five_sigma_motion_is_found() {
    for (blocks, side, least) in [
        (2, 2, 0.0),
        (2, 3, 0.0),
        (2, 4, 0.99),
        (2, 8, 0.99),
        (2, 16, 0.99),
        (2, 24, 0.99),
        (4, 4, 0.0),
        (4, 8, 0.99),
        (4, 16, 0.99),
        (4, 24, 0.99),
    ] {
        let factor = |x: f64| {
            // Of the difference to the reference, both at the frame's exposure (two stops more light in the frame).
            let variance = SHOT * 4.0 * x + READ + 16.0 * (SHOT * x + READ);
            1.0 - 5.0 * variance.sqrt() / (4.0 * x)
        };
        let change = |j: usize, r: usize, c: usize| {
            if j == 2 && thing(side, r, c) {
                factor(scene(r, c).exp2())
            } else {
                1.0
            }
        };
        let bracket = bracket(&[-2.0, 0.0, 2.0], side as u64, change);
        let settings = MotionSettings {
            side: Some(blocks),
            ..MotionSettings::default()
        };
        let mask = mask(found(&bracket, &settings).as_ref());
        let (mut all, mut hit) = (0usize, 0usize);
        for ((r, c), &marked) in mask.indexed_iter() {
            // Where the frame is clipped it cannot testify.
            if thing(side, r, c) && (scene(r, c) + 2.0).exp2() < 0.9 {
                all += 1;
                hit += usize::from(marked);
            }
        }
        let share = hit as f64 / all as f64;
        println!(
            "{side} x {side} px at 5 sigma, blocks of {blocks}: {:.2} % found",
            100.0 * share
        );
        assert!(all > 500 && share >= least, "{side} by {blocks}: {share}");
    }
}

/// Windows of a still scene that exceed the limit by chance come at the rate that was set, within a fifth: chi-square with
/// nine degrees of freedom. The exposures are exact here, and the scene is gentle: what is open of their ratio widens the limits, and so
/// does the half pixel of displacement that is allowed for on a slope. The calibration measures variances on the pixels themselves and
/// takes no scale below the model's, which leaves the rate a little low.
#[test]
fn false_alarms_come_at_the_set_rate() {
    // A quarter of the scene's slope.
    let gentle = |_, r: usize, c: usize| (0.75 * (-3.5 - scene(r, c))).exp2();
    for (side, rate) in [(2, 0.01), (2, 0.003), (4, 0.01), (4, 0.003)] {
        let settings = MotionSettings {
            side: Some(side),
            seed: rate,
            grow: rate,
            guard: 0,
            smallest: 1,
            peak: 0.0,
            certain: 0.0,
        };
        let mut shares = Vec::new();
        for seed in 0..4 {
            let mut bracket = bracket(&[-1.0, 0.0], 100 + seed, gentle);
            for frame in &mut bracket.frames {
                frame.exposure.used.standard_uncertainty = 0.0;
            }
            shares.push(found(&bracket, &settings).map_or(0.0, |m| m.share));
        }
        let mean = shares.iter().sum::<f64>() / shares.len() as f64;
        println!("blocks of {side}, set {rate}: measured {mean:.5}");
        assert!(
            (0.8..=1.2).contains(&(mean / rate)),
            "{side}, {rate}: {shares:?}"
        );
    }
}

/// As they are set, the limits find nothing at all where nothing moved.
#[test]
fn a_still_scene_is_left_whole() {
    for seed in 0..3 {
        let bracket = bracket(&[-2.0, 0.0, 2.0], 200 + seed, |_, _, _| 1.0);
        for side in [2, 4] {
            let settings = MotionSettings {
                side: Some(side),
                ..MotionSettings::default()
            };
            assert_eq!(found(&bracket, &settings), None);
        }
    }
}

/// Where frames are left out, both uncertainties are those of the frames that are left, as if the others were not there.
#[test]
fn uncertainties_are_those_of_the_frames_left() {
    let change = |j: usize, r: usize, c: usize| {
        let moved = j != 1 && (100..260).contains(&r) && (200..420).contains(&c);
        if moved { 0.4 } else { 1.0 }
    };
    let mut bracket = bracket(&[-2.0, 0.0, 2.0], 7, change);
    bracket.frames[0].exposure.used.standard_uncertainty = 0.2;
    bracket.frames[2].exposure.used.standard_uncertainty = 0.3;
    let motion = found(&bracket, &MotionSettings::default());
    let (response, noise) = known();
    let map = Merger::new(&bracket, &response, &noise)
        .leaving_out(motion.as_ref())
        .whole();
    let mut alone = bracket.clone();
    alone.frames = vec![bracket.frames[1].clone(), bracket.frames[1].clone()];
    alone.reference = 0;
    let single = Merger::new(&alone, &response, &noise).whole();
    let at = [180, 300, 0];
    assert_ne!(map.flags[[180, 300]] & flag::MOVED, 0);
    // Two equal frames: the noise of one is sqrt 2 times theirs.
    let ratio = map.statistical[at] / single.statistical[at];
    assert!((ratio - 2f32.sqrt()).abs() < 0.1, "{ratio}");
    assert!(map.systematic[at] < 0.002, "{}", map.systematic[at]);
    assert!(
        map.systematic[[20, 20, 0]] > 0.03,
        "{}",
        map.systematic[[20, 20, 0]]
    );
}
