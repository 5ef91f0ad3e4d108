//! A simulated camera whose own HDR picture has a known curve, known blur and known ghost: each must come back.
use super::texture::frame;
use crate::published::srgb::to_level;
use ndarray::{Array2, Array3};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use stopspan_core::model::RadianceMap;
use stopspan_core::model::{Bracket, Frame};
use stopspan_core::model::{Response, ResponseMethod};
use stopspan_core::raster::{Pixels, Transform};
use stopspan_core::results::BracketReport;
use stopspan_core::results::ComparisonWithMarks;
use stopspan_core::results::{Comparison, Measurement, Quantity, ToneKind};
use stopspan_core::units::Primaries;
use stopspan_measure::compare::{ComparisonInput, compare};
use stopspan_measure::srgb_curve;
use stopspan_report::sheet;
use stopspan_report::sheet::{Sheet, SheetSettings};

pub(super) const SIZE: (usize, usize) = (480, 640);
/// Blur of the camera's picture and of the frames, pixels.
pub(super) const SIGMA: (f64, f64) = (0.9, 0.6);
const DISC: (f64, f64, f64) = (120.0, 480.0, 45.0);

/// Radiance without the thing that moves: a ramp over eleven stops, and a slanted patch.
fn light(row: usize, column: usize, sigma: f64) -> f64 {
    let ramp = (-10.0 + 9.5 * column as f64 / SIZE.1 as f64).exp2();
    let (y, x) = (row as f64 + 0.5, column as f64 + 0.5);
    if !(260.0..460.0).contains(&y) || !(60.0..360.0).contains(&x) {
        return ramp;
    }
    let (s, c) = 5f64.to_radians().sin_cos();
    let distance = (x - 210.0) * c - (y - 360.0) * s;
    0.05 + 0.15 * 0.5 * (1.0 + libm::erf(distance / (sigma * 2f64.sqrt())))
}

fn inside(row: usize, column: usize) -> bool {
    (row as f64 + 0.5 - DISC.0).hypot(column as f64 + 0.5 - DISC.1) < DISC.2
}

/// The camera's curve: level of a radiance.
pub(super) fn curve(radiance: f64) -> f64 {
    (radiance / (radiance + 0.18) * 1.18)
        .clamp(0.0, 1.0)
        .powf(0.42)
}

pub(super) fn picture(level: impl Fn(usize, usize) -> f64, noise: f64, seed: u64) -> Array3<u8> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let normal = Normal::new(0.0, noise).unwrap();
    let codes = Array2::from_shape_fn(SIZE, |(r, c)| {
        (255.0 * level(r, c) + normal.sample(&mut random))
            .round()
            .clamp(0.0, 255.0) as u8
    });
    Array3::from_shape_fn((SIZE.0, SIZE.1, 3), |(r, c, _)| codes[[r, c]])
}

/// A texture of many soft-edged discs, seen through a Gaussian of `sigma`, displaced.
pub(super) fn texture(row: f64, column: f64, sigma: f64) -> f64 {
    const GRID: f64 = 24.0;
    let (y, x) = (row + 0.5, column + 0.5);
    let mut light = 0.10;
    for i in -1..=1 {
        for j in -1..=1 {
            let (r, c) = (
                (y / GRID).floor() + f64::from(i),
                (x / GRID).floor() + f64::from(j),
            );
            // Low-discrepancy places and sizes, so that nothing repeats.
            let part = |k: f64| {
                (r * 0.754_877_666 + c * 0.569_840_291 + k * 0.618_033_989).rem_euclid(1.0)
            };
            let (cy, cx) = ((r + part(1.0)) * GRID, (c + part(2.0)) * GRID);
            let radius = 4.0 + 6.0 * part(3.0);
            let off = radius - (y - cy).hypot(x - cx);
            let height = 0.06 * (part(4.0) - 0.5);
            light += height * 0.5 * (1.0 + libm::erf(off / (sigma * 2f64.sqrt())));
        }
    }
    light.max(0.02)
}

/// A ramp above, the texture below.
pub(super) fn textured(row: f64, column: f64, sigma: f64) -> f64 {
    if row < 120.0 {
        (-9.0 + 9.0 * column / SIZE.1 as f64).exp2()
    } else {
        texture(row, column, sigma)
    }
}

/// The comparison of a picture of the textured scene with a merge blurred by `SIGMA.1` and three frames of it.
pub(super) fn of_texture(own: impl Fn(usize, usize) -> f64, noise: f64) -> Comparison {
    let seen = |r: usize, c: usize| textured(r as f64, c as f64, SIGMA.1);
    let frames: Vec<_> = [0.5, 1.0, 2.0]
        .into_iter()
        .enumerate()
        .map(|(i, factor)| {
            let level = |r, c| to_level((seen(r, c) * factor).min(1.0));
            frame(picture(level, 0.6, 70 + i as u64), factor)
        })
        .collect();
    compared(&seen, frames, &Pixels::U8(picture(own, noise, 80)), None).comparison
}

/// Two Gaussian blurs of one texture: the ratio of the acutances is that of the blurs, computed here from the pictures
/// without noise by the slow way; noise four times as strong must not move it.
#[test]
fn local_acutance_tells_blur_from_noise() {
    let own = |r: usize, c: usize| curve(textured(r as f64, c as f64, SIGMA.0));
    let fine_over_coarse = |sigma: f64| {
        let v = |r: usize, c: usize| textured(r as f64, c as f64, sigma);
        let (mut fine, mut coarse) = (0.0, 0.0);
        for top in (136..SIZE.0 - 16).step_by(8) {
            for left in (16..SIZE.1 - 16).step_by(8) {
                let mut means = [[0.0; 2]; 2];
                for r in 0..8 {
                    for c in 0..8 {
                        let (y, x) = (top + r, left + c);
                        fine += (v(y, x + 1) - v(y, x - 1)).powi(2) / 64.0;
                        fine += (v(y + 1, x) - v(y - 1, x)).powi(2) / 64.0;
                        means[r / 4][c / 4] += v(y, x) / 16.0;
                    }
                }
                let [[a, b], [c, d]]: [[f64; 2]; 2] = means;
                let squares = (b - a).powi(2) + (d - c).powi(2) + (c - a).powi(2) + (d - b).powi(2);
                coarse += squares / 2.0;
            }
        }
        (fine / coarse).sqrt()
    };
    let expected = fine_over_coarse(SIGMA.0) / fine_over_coarse(SIGMA.1);
    for noise in [0.6, 2.4] {
        let found = of_texture(own, noise);
        let row = found.quantity(Quantity::Acutance).unwrap();
        let (camera, merge) = (row.camera_hdr.unwrap(), row.merge.unwrap());
        let ratio = camera.value / merge.value;
        assert!(
            (ratio / expected - 1.0).abs() < 0.03,
            "noise {noise}: {ratio}, expected {expected}; {camera:?} {merge:?}"
        );
        assert_eq!(row.against_merge.unwrap().tie, Some(false));
    }
}

/// Runs the comparison; the longest frame saw a disc that the merge does not hold, and the camera mixed half of it in.
fn run(ghost: bool) -> ComparisonWithMarks {
    let seen = |row: usize, column: usize, with: bool| {
        let plain = light(row, column, SIGMA.1);
        if with && inside(row, column) {
            0.02
        } else {
            plain
        }
    };
    let frames: Vec<_> = [0.5, 1.0, 2.0]
        .into_iter()
        .enumerate()
        .map(|(i, factor)| {
            let level = |r, c| to_level((seen(r, c, ghost && i == 2) * factor).min(1.0));
            frame(picture(level, 0.6, 40 + i as u64), factor)
        })
        .collect();
    let own = |r: usize, c: usize| {
        let plain = curve(light(r, c, SIGMA.0));
        if ghost && inside(r, c) {
            0.5 * plain + 0.5 * curve(0.02)
        } else {
            plain
        }
    };
    let merged = |r: usize, c: usize| light(r, c, SIGMA.1);
    compared(&merged, frames, &Pixels::U8(picture(own, 0.8, 60)), None)
}

/// Compares a finished picture with a merge that holds `light` with 1 % of noise.
fn compared(
    light: &dyn Fn(usize, usize) -> f64,
    frames: Vec<Frame>,
    finished: &Pixels,
    colour: Option<Primaries>,
) -> ComparisonWithMarks {
    let mut random = ChaCha8Rng::seed_from_u64(50);
    let noise = Normal::new(0.0, 0.01).unwrap();
    let radiance = Array3::from_shape_fn((SIZE.0, SIZE.1, 3), |(r, c, _)| {
        (light(r, c) * (1.0 + noise.sample(&mut random))) as f32
    });
    with_merge(radiance, frames, finished, colour)
}

/// Compares a finished picture with a merge of this radiance, whose uncertainty is 1 %.
pub(crate) fn with_merge(
    radiance: Array3<f32>,
    frames: Vec<Frame>,
    finished: &Pixels,
    colour: Option<Primaries>,
) -> ComparisonWithMarks {
    let (rows, columns, _) = radiance.dim();
    let map = RadianceMap {
        primaries: Default::default(),
        statistical: radiance.mapv(|v| 0.01 * v),
        systematic: Array3::zeros(radiance.dim()),
        flags: Array2::zeros((rows, columns)),
        radiance,
    };
    let reference = frames.len() / 2;
    let bracket = Bracket::new("simulated", frames, reference);
    let response = Response {
        method: ResponseMethod::Srgb,
        curves: vec![srgb_curve(); 3],
        residual_stops: 0.0,
        samples: 0,
    };
    compare(&ComparisonInput {
        file: "camera.jpg",
        finished,
        colour: colour.unwrap_or_default(),
        placement: Transform::IDENTITY,
        map: &map,
        bracket: &bracket,
        response: &response,
        measured: &Measurement::default(),
        single: None,
        edge: None,
    })
}

#[test]
fn a_known_curve_comes_back() {
    let found = run(false).comparison;
    let tone = found.tone.unwrap();
    assert!(tone.knots.len() > 40, "{}", tone.knots.len());
    for knot in &tone.knots {
        let expected = curve(knot.stops.exp2());
        assert!(
            (knot.level - expected).abs() < 0.02,
            "{knot:?}, true {expected}"
        );
    }
    assert_eq!(tone.kind, ToneKind::Global);
    assert!(tone.off_curve.value < 0.01, "{:?}", tone.off_curve);
    assert!(found.ghosts.places.is_empty() && found.ghosts.unexplained == 0.0);
}

/// Closed form: a Gaussian edge of sigma pixels has MTF50 at 0.1874 / sigma.
#[test]
fn known_blur_comes_back() {
    let found = run(false).comparison;
    the_sheet_says_the_same(&found);
    let edge = &found.edges[0];
    assert!((edge.degrees - 5.0).abs() < 0.1, "{}", edge.degrees);
    let single = edge.single.as_ref().unwrap();
    for (one, sigma) in [
        (&edge.camera_hdr, SIGMA.0),
        (&edge.merge, SIGMA.1),
        (single, SIGMA.1),
    ] {
        let expected = 0.1874 / sigma;
        assert!(
            (one.mtf50.value / expected - 1.0).abs() < 0.02,
            "{}: {:?}, true {expected}",
            one.file,
            one.mtf50
        );
    }
}

/// The sheet prints what the comparison holds, figure by figure.
fn the_sheet_says_the_same(found: &Comparison) {
    let bracket = BracketReport {
        comparison: Some(found.clone()),
        ..BracketReport::default()
    };
    let made = sheet::of_bracket(&bracket, &[], &[], &SheetSettings::default());
    let drawn: Vec<String> = made.iter().map(Sheet::svg).collect();
    let detail = found.quantity(Quantity::Mtf50).unwrap();
    let (camera, merge) = (detail.camera_hdr.unwrap(), detail.merge.unwrap());
    for value in [camera.value, merge.value] {
        let text = format!(">{value:.3}</text>");
        assert!(drawn.iter().any(|svg| svg.contains(&text)), "{text}");
    }
}

#[test]
fn a_known_ghost_comes_back() {
    let found = run(true);
    let (mut both, mut either) = (0, 0);
    for r in 0..SIZE.0 {
        for c in 0..SIZE.1 {
            let (there, told) = (
                inside(r, c),
                found.marks[[r / found.step, c / found.step]] == 1,
            );
            both += u32::from(there && told);
            either += u32::from(there || told);
        }
    }
    let overlap = f64::from(both) / f64::from(either.max(1));
    assert!(overlap >= 0.9, "{overlap}: {:?}", found.comparison.ghosts);
    let place = &found.comparison.ghosts.places[0];
    assert_eq!(place.frame, "exposure_2.000.png");
    assert!((place.mixed - 0.5).abs() < 0.05, "{place:?}");
}
