//! Shots saved as JPEG and as raw: paired, both brackets done, the camera's true curve seen through the raw files.
use super::pictures::{PLAIN, Tags, picture};
use std::path::Path;
use stopspan::pipeline::{Settings, run};
use stopspan_core::results::RawComparison;
use stopspan_core::results::Report;
use stopspan_formats::staged::Outputs;
use stopspan_frames::{Overrides, survey};
use stopspan_report::{html, terminal};
use stopspan_simulate::{CameraCurve, Scenario, write_scenario};

/// A bench saved twice, frames 2 EV apart.
fn scenario(response: &str) -> Scenario {
    let text = format!(
        r#"{{ "name": "s", "seed": 5, "size": [1000, 750], "scene": {{ "kind": "bench" }},
        "sensor": {{ "full_well": 20000.0, "read_noise": 4.0, "adc_bits": 14, "black": 512.0, "blur": 0.6,
                     "white_balance": [1.9, 1.0, 1.5], "response": {response} }},
        "frames": [ {{ "name": "under", "ev": -2.0 }}, {{ "name": "nominal", "ev": 0.0 }}, {{ "name": "over", "ev": 2.0 }} ],
        "raw_beside": true }}"#
    );
    serde_json::from_str(&text).unwrap()
}

/// The report of such a bench, and what its raw files say of the JPEG bracket.
fn done(scenario: &Scenario) -> (Report, RawComparison) {
    let folder = tempfile::tempdir().unwrap();
    let input = folder.path().join("twice");
    write_scenario(scenario, &input, &Outputs::default()).unwrap();
    let settings = Settings::new(vec![input], folder.path().join("out"));
    let outcome = run(&settings, &|_| {}).unwrap();
    assert_eq!((outcome.done, outcome.failed), (2, 0));
    let mut beside = outcome
        .report
        .brackets
        .iter()
        .filter_map(|b| b.raw_beside.clone());
    let found = beside
        .next()
        .expect("no bracket was found to be saved twice");
    assert!(beside.next().is_none());
    (outcome.report, found)
}

/// The exposure that the simulated camera encodes to a level, by halving the interval.
fn true_stops(response: &CameraCurve, level: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if response.level(middle) < level {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::log2(0.5 * (low + high))
}

#[test]
fn the_true_curve_is_seen_and_the_recovered_one_held_against_it() {
    let scenario = scenario(r#"{ "name": "contrast", "amount": 0.4 }"#);
    let (report, beside) = done(&scenario);
    let names: Vec<(&str, &str)> = beside
        .frames
        .iter()
        .map(|f| (f.file.as_str(), f.raw.as_str()))
        .collect();
    let wanted = ["under", "nominal", "over"].map(|n| (format!("s_{n}.jpg"), format!("s_{n}.dng")));
    assert!(
        names
            .iter()
            .zip(&wanted)
            .all(|(n, w)| n.0 == w.0 && n.1 == w.1),
        "{names:?}"
    );
    assert_eq!(beside.curves.len(), 3);
    for curve in &beside.curves {
        let count = curve.points.len();
        let square: f64 = curve
            .points
            .iter()
            .map(|p| (p.stops - true_stops(&scenario.sensor.response, p.level / 255.0)).powi(2))
            .sum();
        let off = (square / count as f64).sqrt();
        println!(
            "{count} points, true curve off by {off:.4}, recovered by {:.4} stops r.m.s., steepness {:.4}",
            curve.rms_stops, curve.steepness
        );
        // Points against the simulator's own curve: half a code at the dark end is 0.03 stop.
        assert!(count >= 30 && off < 0.03, "{off}");
        assert!(curve.rms_stops < 0.06, "{}", curve.rms_stops);
        assert!((curve.steepness - 1.0).abs() < 0.02, "{}", curve.steepness);
    }
    let [pair] = report.saved_twice.as_slice() else {
        panic!("{:?}", report.saved_twice)
    };
    assert_eq!(pair.rows.len(), 4);
    assert!(
        pair.finished_steps.is_some() && pair.finished_steps == pair.raw_steps,
        "{pair:?}"
    );
    for row in &pair.rows {
        assert!(
            row.finished.levels.is_some() && row.raw.levels.is_some(),
            "{row:?}"
        );
        assert!(row.more_in_raw_stops.is_some(), "{row:?}");
    }
    let page = html::page(&report, &Default::default());
    assert!(page.contains("beside its raw files") && page.contains("-through-raw"));
    let text = terminal::table(&report);
    assert!(
        text.contains("beside the raw files in") && text.contains("stops r.m.s."),
        "{text}"
    );
    let wide: Vec<&str> = text.lines().filter(|l| l.chars().count() > 79).collect();
    assert!(wide.is_empty(), "{wide:?}");
}

/// A camera that burns out everything above half of what its sensor holds.
#[test]
fn what_the_camera_cut_is_counted() {
    let levels: Vec<String> = (0..=64)
        .map(|i| format!("{:.6}", CameraCurve::Srgb.level(f64::from(i) / 32.0)))
        .collect();
    let table = format!(r#"{{ "name": "table", "levels": [{}] }}"#, levels.join(","));
    let (_, cut) = done(&scenario(&table));
    let (_, whole) = done(&scenario(r#"{ "name": "srgb" }"#));
    for (cut, whole) in cut.frames.iter().zip(&whole.frames) {
        println!(
            "{}: {:.4} cut, {:.4} whole",
            cut.file, cut.clipped_alone, whole.clipped_alone
        );
        assert!(whole.clipped_alone < 0.002, "{whole:?}");
    }
    assert!(
        cut.frames.iter().any(|f| f.clipped_alone > 0.01),
        "{:?}",
        cut.frames
    );
    let green = |b: &RawComparison| b.curves[1].above_stops;
    println!(
        "above the last point: {:.3} cut, {:.3} whole",
        green(&cut),
        green(&whole)
    );
    assert!((green(&cut) - green(&whole) - 1.0).abs() < 0.15);
}

/// Files of one shot are known by name, or by moment and settings; other shots are not.
#[test]
fn shots_are_paired_by_name_or_by_moment() {
    let scenario = scenario(r#"{ "name": "srgb" }"#);
    let small = Scenario {
        size: (64, 48),
        ..scenario
    };
    let folder = tempfile::tempdir().unwrap();
    write_scenario(&small, folder.path(), &Outputs::default()).unwrap();
    let raws = |folder: &Path| -> Vec<Option<String>> {
        let found = survey(&[folder.to_owned()], &Overrides::default()).unwrap();
        assert_eq!(found.brackets.len(), 2, "{found:?}");
        let jpeg = found.brackets.iter().find(|b| b.raw_beside.is_some());
        let jpeg = jpeg.into_iter().flat_map(|b| &b.frames);
        let name = |p: &std::path::PathBuf| p.file_name().unwrap().to_string_lossy().into_owned();
        jpeg.map(|f| f.raw.as_ref().map(name)).collect()
    };
    let by_name = raws(folder.path());
    assert_eq!(by_name.len(), 3);
    assert!(by_name.iter().all(Option::is_some), "{by_name:?}");
    // Other names: the moments still tell.
    for (i, name) in ["under", "nominal", "over"].iter().enumerate() {
        let from = folder.path().join(format!("s_{name}.dng"));
        std::fs::rename(from, folder.path().join(format!("raw{i}.dng"))).unwrap();
    }
    let by_moment = raws(folder.path());
    assert_eq!(
        by_moment,
        ["raw0.dng", "raw1.dng", "raw2.dng"].map(|n| Some(n.to_owned()))
    );
    // A single picture of another moment stays alone.
    picture(
        folder.path(),
        "other.jpg",
        &Tags {
            moment: Some(90_000),
            ..PLAIN
        },
    );
    assert_eq!(raws(folder.path()), by_moment);
}
