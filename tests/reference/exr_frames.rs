//! Linear brackets as OpenEXR, written by the format's own library (exr/make.py): taken as frames, merged, held against the light.
use std::path::{Path, PathBuf};
use stopspan::pipeline::{Settings, merge, prepare};
use stopspan_core::finding::Finding;
use stopspan_core::model::Limits;
use stopspan_formats::openexr;
use stopspan_formats::openexr::ChannelRows;
use stopspan_formats::read_picture;
use stopspan_frames::{ExposureOverride, SkipReason, survey};

const NAMES: [&str; 3] = ["short.exr", "middle.exr", "long.exr"];

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/exr")
}

/// The light that make.py drew.
fn light(row: usize, column: usize, colour: usize) -> f64 {
    let ramp = (-7.0 + 8.0 * column as f64 / 95.0).exp2();
    ramp * [0.5, 1.0, 0.8][colour] * (1.0 + 0.1 * (row as f64).sin())
}

#[test]
fn frames_of_another_writer_are_a_linear_bracket() {
    let out = tempfile::tempdir().unwrap();
    let settings = Settings::new(vec![folder()], out.path().join("map.exr"));
    let found = survey(&settings.inputs, &settings.overrides).unwrap();
    assert_eq!(found.brackets.len(), 1, "{found:?}");
    let plan = &found.brackets[0];
    let names = plan.frames.iter().map(|f| f.file.file_name().unwrap());
    assert!(names.eq(NAMES), "{plan:?}");
    let steps: Vec<f64> = plan.frames.iter().map(|f| f.step_stops.unwrap()).collect();
    assert!(
        steps
            .iter()
            .zip([-2.0, 0.0, 2.0])
            .all(|(s, w)| (s - w).abs() < 1e-4),
        "{steps:?}"
    );
    assert_eq!(plan.frames[0].settings.aperture.unwrap().0, 5.6);
    assert_eq!(plan.frames[0].settings.speed.unwrap().0, 200.0);
    let prepared = prepare(plan, &settings, &|_| {}).unwrap();
    let linear = |f: &Finding| matches!(f, Finding::TakenAsLinear { .. });
    assert!(prepared.bracket.findings.iter().any(linear));
    merge(&settings, &|_| {}).unwrap();
    let map = openexr::read(&settings.out, &Limits::default()).unwrap();
    let mut ratios = Vec::new();
    for (colour, name) in ["R", "G", "B"].into_iter().enumerate() {
        let Some(ChannelRows::Float(values)) = map.channels.get(name) else {
            panic!("{name} is not there")
        };
        // From the noise of the dark up to what the shortest frame just holds.
        let places = (0..64).flat_map(|r| (0..96).map(move |c| (r, c)));
        for ((row, column), value) in places.zip(values) {
            let truth = light(row, column, colour);
            if (0.05..3.0).contains(&truth) {
                ratios.push(f64::from(*value) / truth);
            }
        }
    }
    let count = ratios.len() as f64;
    let mean = ratios.iter().sum::<f64>() / count;
    let spread = (ratios.iter().map(|r| (r / mean - 1.0).powi(2)).sum::<f64>() / count).sqrt();
    // One pixel of the longest frame at 0.05: noise 0.36 %; half floats of the middle frame 0.03 %.
    assert!(count > 5000.0 && spread < 0.01, "{count} {mean} {spread}");
    let first = ratios[..1000].iter().sum::<f64>() / 1000.0;
    assert!((first / mean - 1.0).abs() < 0.002, "{first} {mean}");
}

/// Maps that this program writes carry the time of their reference frame: no frames. Nor is a file without a time, until
/// one is given.
#[test]
fn maps_and_files_without_a_time_are_no_frames() {
    let scratch = tempfile::tempdir().unwrap();
    for name in NAMES {
        std::fs::copy(folder().join(name), scratch.path().join(name)).unwrap();
    }
    let map = scratch.path().join("map.exr");
    merge(&Settings::new(vec![folder()], map.clone()), &|_| {}).unwrap();
    assert!(
        read_picture(&map, &Limits::default())
            .unwrap()
            .header
            .exposure_time
            .is_some()
    );
    let mut settings = Settings::new(vec![scratch.path().to_owned()], map.clone());
    let found = survey(&settings.inputs, &settings.overrides).unwrap();
    assert_eq!(found.brackets[0].frames.len(), 3);
    assert_eq!(found.skipped.len(), 1);
    assert_eq!(found.skipped[0].file, map);
    assert_eq!(found.skipped[0].reason, SkipReason::RadianceMap);
    // The attribute's name changed: no time any more.
    let frame = scratch.path().join("long.exr");
    let mut bytes = std::fs::read(&frame).unwrap();
    let at = bytes.windows(8).position(|w| w == b"expTime\0").unwrap();
    bytes[at..at + 7].copy_from_slice(b"expTide");
    std::fs::write(&frame, &bytes).unwrap();
    let found = survey(&settings.inputs, &settings.overrides).unwrap();
    assert_eq!(
        (found.brackets[0].frames.len(), found.skipped.len()),
        (2, 2)
    );
    settings.overrides.exposures =
        vec![ExposureOverride::parse("long.exr=1/15,f5.6,iso200").unwrap()];
    let found = survey(&settings.inputs, &settings.overrides).unwrap();
    assert_eq!(found.brackets[0].frames.len(), 3);
}
