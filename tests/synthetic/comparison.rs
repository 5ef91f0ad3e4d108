//! A simulated camera whose own HDR picture has a known curve, known blur and known ghost: each must come back.
use super::texture::frame;
use ndarray::{Array2, Array3};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use stopspan::frames::Bracket;
use stopspan::measure::compare::{Compare, Comparison, Pictures, Quantity, ToneKind, compare};
use stopspan::measure::srgb_curve;
use stopspan::merge::RadianceMap;
use stopspan::raster::{Pixels, Transform};
use stopspan::report::BracketReport;
use stopspan::report::sheet::{self, SheetSettings};
use stopspan::response::{Response, ResponseMethod};
use stopspan::units::srgb_level;

const SIZE: (usize, usize) = (480, 640);
/// Blur of the camera's picture and of the frames, pixels.
const SIGMA: (f64, f64) = (0.9, 0.6);
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
fn curve(radiance: f64) -> f64 {
    (radiance / (radiance + 0.18) * 1.18)
        .clamp(0.0, 1.0)
        .powf(0.42)
}

fn picture(level: impl Fn(usize, usize) -> f64, noise: f64, seed: u64) -> Array3<u8> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let normal = Normal::new(0.0, noise).unwrap();
    let codes = Array2::from_shape_fn(SIZE, |(r, c)| {
        (255.0 * level(r, c) + normal.sample(&mut random))
            .round()
            .clamp(0.0, 255.0) as u8
    });
    Array3::from_shape_fn((SIZE.0, SIZE.1, 3), |(r, c, _)| codes[[r, c]])
}

/// Runs the comparison; the longest frame saw a disc that the merge does not hold, and the camera mixed half of it in.
fn run(ghost: bool) -> Compare {
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
            let level = |r, c| srgb_level((seen(r, c, ghost && i == 2) * factor).min(1.0));
            frame(picture(level, 0.6, 40 + i as u64), factor)
        })
        .collect();
    let mut random = ChaCha8Rng::seed_from_u64(50);
    let noise = Normal::new(0.0, 0.01).unwrap();
    let radiance = Array3::from_shape_fn((SIZE.0, SIZE.1, 3), |(r, c, _)| {
        (light(r, c, SIGMA.1) * (1.0 + noise.sample(&mut random))) as f32
    });
    let map = RadianceMap {
        primaries: Default::default(),
        statistical: radiance.mapv(|v| 0.01 * v),
        systematic: Array3::zeros(radiance.dim()),
        flags: Array2::zeros(SIZE),
        radiance,
    };
    let bracket = Bracket {
        name: "simulated".into(),
        frames,
        reference: 1,
        camera_hdr: None,
        findings: Vec::new(),
    };
    let response = Response {
        method: ResponseMethod::Srgb,
        curves: vec![srgb_curve(); 3],
        residual_stops: 0.0,
        samples: 0,
    };
    let own = |r: usize, c: usize| {
        let plain = curve(light(r, c, SIGMA.0));
        if ghost && inside(r, c) {
            0.5 * plain + 0.5 * curve(0.02)
        } else {
            plain
        }
    };
    let finished = Pixels::U8(picture(own, 0.8, 60));
    compare(&Pictures {
        finished: ("camera.jpg", &finished),
        placement: Transform::IDENTITY,
        map: &map,
        bracket: &bracket,
        response: &response,
        measured: &[],
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
    let sheet = made.iter().find(|s| s.name == "comparison-light").unwrap();
    let detail = found.quantity(Quantity::Mtf50).unwrap();
    let (camera, merge) = (detail.camera_hdr.unwrap(), detail.merge.unwrap());
    for value in [camera.value, merge.value] {
        let text = format!(">{value:.3}</text>");
        assert!(sheet.svg().contains(&text), "{text}");
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
