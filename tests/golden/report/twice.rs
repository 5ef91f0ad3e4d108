//! The made-up run with a bracket of raw files of the same shots.
use super::fixture::FILES;
use super::run;
use stopspan_core::results::Report;
use stopspan_core::results::{CurveFromRaw, CurvePoint, RawComparison, RawPair};
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
    report
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
