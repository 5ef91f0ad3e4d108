//! The made-up run with a bracket of raw files of the same shots.
use super::fixture::FILES;
use super::run;
use stopspan_core::finding::Finding;
use stopspan_core::results::{BracketReport, LinearLight, LonePicture, OutputFile, Report};
use stopspan_core::results::{CurveFromRaw, CurvePoint, RawComparison, RawPair};
use stopspan_core::results::{Tint, WithoutBracket};
use stopspan_report::raw_table;

pub fn report() -> Report {
    let mut report = run::report();
    let mut raw = report.brackets[0].clone();
    raw.name = "bench-raw".into();
    let name = |file: &str| file.replace(".jpg", ".dng");
    raw.pictures.iter_mut().for_each(|p| p.file = name(&p.file));
    raw.frames.iter_mut().for_each(|f| f.file = name(&f.file));
    let pair = |file: &&str| RawPair {
        file: (*file).to_owned(),
        raw: name(file),
        clipped_alone: 0.031,
        black_alone: 0.004,
    };
    report.brackets[0].raw_beside = Some(RawComparison {
        bracket: raw.name.clone(),
        frames: FILES.iter().take(3).map(pair).collect(),
        curves: (0..3).map(curve).collect(),
    });
    report.brackets.push(raw);
    report.saved_twice = raw_table::compare(&report.brackets);
    report.without_bracket = vec![alone(&report.brackets[0])];
    report
}

/// Pictures of a camera without a bracket, one for each way to linear light.
fn alone(bracket: &BracketReport) -> WithoutBracket {
    let lights = [
        LinearLight::Srgb,
        LinearLight::Linear,
        LinearLight::Bracket {
            bracket: "bench".into(),
        },
        LinearLight::Saved {
            file: "response.json".into(),
        },
        LinearLight::Wedge {
            steps: 19,
            density_uncertainty: 0.02,
            uncertainty_assumed: true,
        },
    ];
    let picture = |light: LinearLight| LonePicture {
        path: "samples/cameras/a_shot.jpg".into(),
        columns: 1200,
        rows: 900,
        bits: 8,
        settings: bracket.frames[0].settings,
        bias: None,
        captured: None,
        light,
        wedge: bracket.wedge.clone().unwrap(),
        measured: bracket.pictures.frames[0].clone(),
        clipped_steps: vec![1],
        crushed_steps: vec![20, 21],
        tint: vec![Tint {
            step: 1,
            lightness: 99.5,
            a: 0.25,
            b: -0.5,
        }],
        findings: vec![Finding::LightAssumed],
    };
    WithoutBracket {
        name: "Another_Camera".into(),
        headline: "a_shot.jpg resolves 19 of 21 steps.".into(),
        inputs_sha256: Some("0123456789abcdef".repeat(4)),
        camera: Some("Another Camera".into()),
        pictures: lights.map(picture).to_vec(),
        outputs: vec![OutputFile {
            what: "wedge strips".into(),
            path: "Another_Camera/sheets/wedge-light.png".into(),
            bytes: Some(12_345),
        }],
    }
}

fn curve(channel: usize) -> CurveFromRaw {
    let point = |i: usize| CurvePoint {
        level: 8.0 + 4.0 * i as f64,
        stops: -7.0 + 6.6 * (i as f64 / 60.0).sqrt(),
        standard_uncertainty: 0.004,
        recovered: -7.0 + 6.6 * (i as f64 / 60.0).sqrt() + 0.02 * (i as f64 / 9.0).sin(),
        places: 40 + i,
    };
    CurveFromRaw {
        points: (0..60).map(point).collect(),
        rms_stops: 0.014 + 0.001 * channel as f64,
        steepness: 1.003,
        above_stops: 0.4,
    }
}
