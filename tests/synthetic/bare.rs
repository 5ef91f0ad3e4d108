//! Frames of which no exposure is known: order, steps, and what is said of the span.
use crate::published::srgb::to_level;
use stopspan_core::error::BracketProblem;
use stopspan_core::finding::Finding;
use stopspan_core::model::{Bracket, ExposureSource};
use stopspan_frames::{Overrides, load, survey};

/// PNG files without any metadata, named so that their order says nothing, of a scene of slow waves over eight stops.
fn bare(stops: &[f64], size: (u32, u32)) -> Result<Bracket, stopspan_core::Error> {
    let folder = tempfile::tempdir().unwrap();
    let files: Vec<_> = stops
        .iter()
        .zip(["c", "a", "d", "b"])
        .map(|(stop, name)| {
            let picture = image::RgbImage::from_fn(size.0, size.1, |x, y| {
                let (u, v) = (f64::from(x) / 31.0, f64::from(y) / 23.0);
                let light = (4.0 * (u.sin() * v.cos()) - 4.0 + stop).exp2();
                let level = 255.0 * to_level(light.min(1.0));
                image::Rgb([level.round() as u8; 3])
            });
            let file = folder.path().join(format!("{name}.png"));
            picture.save(&file).unwrap();
            file
        })
        .collect();
    let overrides = Overrides {
        one_bracket: true,
        ..Overrides::default()
    };
    let found = survey(&files, &overrides).unwrap();
    load(&found.brackets[0], &overrides)
}

#[test]
fn order_and_steps_come_from_the_pixels() {
    let stops = [2.0, -1.0, 0.0, 3.0];
    let bracket = bare(&stops, (240, 160)).unwrap();
    let names: Vec<String> = bracket.frames.iter().map(|f| f.name()).collect();
    assert_eq!(names, ["a.png", "d.png", "c.png", "b.png"]);
    assert_eq!(bracket.reference, 1);
    for (frame, wanted) in bracket.frames.iter().zip([-1.0, 0.0, 2.0, 3.0]) {
        let stated = frame.exposure.stated;
        assert!((stated.value - wanted).abs() < 0.05, "{stated:?} {wanted}");
        assert_eq!(frame.exposure.source, ExposureSource::Guessed);
    }
    let span = bracket.findings.iter().find_map(|f| match f {
        Finding::SpanUnknown { assumed_span_stops } => Some(*assumed_span_stops),
        _ => None,
    });
    assert!((span.unwrap() - 4.0).abs() < 0.1, "{span:?}");
}

#[test]
fn frames_alike_or_too_small_are_refused() {
    for (stops, size) in [([0.0, 0.0], (240, 160)), ([0.0, 2.0], (16, 8))] {
        match bare(&stops, size) {
            Err(stopspan_core::Error::Bracket { problem, .. }) => {
                assert_eq!(problem, BracketProblem::NoExposure);
            }
            other => panic!("{other:?}"),
        }
    }
}
