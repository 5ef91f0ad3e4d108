//! Folders of tiny pictures sorted into brackets.
use super::pictures::{HALF_NOMINAL_DOUBLE, PLAIN, Tags, brackets, burst, look, names, picture};
use proptest::prelude::*;
use std::path::PathBuf;
use stopspan_core::Error;
use stopspan_core::error::InputProblem;
use stopspan_core::finding::Finding;
use stopspan_frames::{Overrides, SkipReason, load, survey};

#[test]
fn a_bracket_with_bias() {
    let folder = tempfile::tempdir().unwrap();
    let order = [((1, 60), 0), ((1, 120), -1), ((1, 30), 1)];
    burst(folder.path(), "Box", 0, &order);
    let survey = look(folder.path());
    assert_eq!(
        brackets(&survey),
        [["Box_00030.jpg", "Box_00000.jpg", "Box_00060.jpg"]]
    );
    let plan = &survey.brackets[0];
    assert_eq!(plan.reference, 1);
    let steps: Vec<f64> = plan.frames.iter().map(|f| f.step_stops.unwrap()).collect();
    assert!(
        steps
            .iter()
            .zip([-1.0, 0.0, 1.0])
            .all(|(a, b)| (a - b).abs() < 1e-9),
        "{steps:?}"
    );
    let bracket = load(plan, &Overrides::default()).unwrap();
    assert_eq!((bracket.frames.len(), bracket.reference), (3, 1));
    assert!((bracket.relative_exposure(0) - 0.5).abs() < 1e-9);
    assert!((bracket.relative_exposure(2) - 2.0).abs() < 1e-9);
    let text = survey.to_string();
    for part in [
        "3 frames",
        "1/120 s",
        "-1.00 stops",
        "+1.00 stops",
        "reference",
        "f/4",
        "ISO 100",
    ] {
        assert!(text.contains(part), "{part} not in\n{text}");
    }
    let json = serde_json::to_value(&survey).unwrap();
    assert_eq!(
        json["brackets"][0]["frames"].as_array().map(Vec::len),
        Some(3)
    );
}

#[test]
fn two_brackets_in_a_row_and_a_single() {
    let folder = tempfile::tempdir().unwrap();
    burst(folder.path(), "Box", 0, &HALF_NOMINAL_DOUBLE);
    burst(folder.path(), "Box", 120, &HALF_NOMINAL_DOUBLE);
    burst(folder.path(), "Box", 3000, &[((1, 60), 0)]);
    let survey = look(folder.path());
    assert_eq!(survey.brackets.len(), 2, "{survey}");
    assert!(survey.brackets.iter().all(|b| b.frames.len() == 3));
    assert_eq!(names(survey.singles.clone()), ["Box_03000.jpg"]);
    assert!(
        survey
            .findings
            .iter()
            .any(|f| matches!(f, Finding::Single { .. }))
    );
    assert_ne!(survey.brackets[0].name, survey.brackets[1].name);
}

#[test]
fn cameras_sizes_and_formats_are_kept_apart() {
    let folder = tempfile::tempdir().unwrap();
    burst(folder.path(), "Box", 0, &HALF_NOMINAL_DOUBLE);
    burst(folder.path(), "Other", 10, &HALF_NOMINAL_DOUBLE);
    for (index, (time, bias)) in HALF_NOMINAL_DOUBLE.iter().enumerate() {
        let moment = 5 + 30 * index as u32;
        let tags = Tags {
            time: Some(*time),
            bias: Some(*bias),
            moment: Some(moment),
            ..PLAIN
        };
        picture(folder.path(), &format!("copy_{index}.png"), &tags);
        picture(
            folder.path(),
            &format!("small_{index}.jpg"),
            &Tags {
                size: (8, 8),
                ..tags
            },
        );
    }
    let survey = look(folder.path());
    assert_eq!(survey.brackets.len(), 4, "{survey}");
    for bracket in brackets(&survey) {
        let stem = bracket[0].split('_').next().unwrap();
        assert_eq!(bracket.len(), 3);
        assert!(bracket.iter().all(|n| n.starts_with(stem)), "{bracket:?}");
    }
}

/// HDR pictures of a camera: tags of each, and a part of the evidence by which it is to be recognised.
fn hdr_pictures() -> [(&'static str, Tags); 5] {
    let fourth = Tags {
        bias: Some(0),
        moment: Some(200),
        ..PLAIN
    };
    [
        (
            "CompositeImage 3",
            Tags {
                composite: Some(3),
                ..fourth.clone()
            },
        ),
        (
            "CustomRendered 3",
            Tags {
                custom: Some(3),
                ..fourth.clone()
            },
        ),
        ("nominal frame again", fourth.clone()),
        (
            "does not state",
            Tags {
                bias: None,
                ..fourth.clone()
            },
        ),
        (
            "CompositeImage 3",
            Tags {
                composite: Some(3),
                size: (12, 8),
                ..fourth
            },
        ),
    ]
}

#[test]
fn the_cameras_own_hdr_picture_by_tag_and_by_place() {
    for (evidence, tags) in hdr_pictures() {
        let folder = tempfile::tempdir().unwrap();
        burst(folder.path(), "Box", 0, &HALF_NOMINAL_DOUBLE);
        let hdr = picture(folder.path(), "last.jpg", &tags);
        let found = look(folder.path());
        assert_eq!(found.brackets.len(), 1, "{evidence}: {found}");
        let plan = &found.brackets[0];
        assert_eq!(plan.frames.len(), 3, "{evidence}: {found}");
        let recognised = plan
            .camera_hdr
            .as_ref()
            .unwrap_or_else(|| panic!("{evidence}: {found}"));
        assert_eq!(recognised.file, hdr);
        assert!(
            recognised.evidence.contains(evidence),
            "{}",
            recognised.evidence
        );
        assert!(
            plan.findings
                .iter()
                .any(|f| matches!(f, Finding::CameraHdrRecognised { .. }))
        );
        let bracket = load(plan, &Overrides::default()).unwrap();
        assert!(bracket.camera_hdr.is_some_and(|h| h.picture.file == hdr));
        // the user's word goes before the evidence
        let never = Overrides {
            not_hdr: vec![hdr.clone()],
            ..Overrides::default()
        };
        let overruled = survey(&[folder.path().to_path_buf()], &never).unwrap();
        assert!(
            overruled.brackets.iter().all(|b| b.camera_hdr.is_none()),
            "{evidence}"
        );
    }
}

#[test]
fn the_user_names_the_hdr_picture_and_the_reference() {
    let folder = tempfile::tempdir().unwrap();
    burst(folder.path(), "Box", 0, &HALF_NOMINAL_DOUBLE);
    let said = Overrides {
        camera_hdr: Some(vec!["finished.png".into()]),
        reference: Some("Box_00060.jpg".into()),
        ..Overrides::default()
    };
    let inputs = [folder.path().to_path_buf()];
    let missing = survey(&inputs, &said);
    assert!(matches!(missing, Err(Error::Request { .. })), "{missing:?}");
    let file = picture(
        folder.path(),
        "finished.png",
        &Tags {
            time: None,
            ..PLAIN
        },
    );
    let found = survey(&inputs, &said).unwrap();
    let plan = &found.brackets[0];
    assert_eq!(
        plan.camera_hdr.as_ref().map(|h| &h.file),
        Some(&file),
        "{found}"
    );
    assert_eq!(plan.reference, 2);
}

#[test]
fn a_camera_that_marks_every_picture_marks_none() {
    let folder = tempfile::tempdir().unwrap();
    for (index, (time, bias)) in HALF_NOMINAL_DOUBLE.iter().enumerate() {
        let tags = Tags {
            time: Some(*time),
            bias: Some(*bias),
            moment: Some(index as u32 * 40),
            composite: Some(3),
            ..PLAIN
        };
        picture(folder.path(), &format!("p{index}.jpg"), &tags);
    }
    let found = look(folder.path());
    assert_eq!(brackets(&found), [["p0.jpg", "p1.jpg", "p2.jpg"]]);
}

#[test]
fn what_is_no_frame_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    burst(root, "Box", 0, &HALF_NOMINAL_DOUBLE);
    std::fs::write(root.join("README.md"), "words").unwrap();
    std::fs::write(root.join("text.jpg"), "words that claim to be a picture").unwrap();
    std::fs::write(root.join("empty.png"), "").unwrap();
    std::fs::write(root.join(".hidden.jpg"), "x").unwrap();
    std::fs::write(root.join("map.hdr"), "#?RADIANCE\n").unwrap();
    std::fs::create_dir(root.join("deeper")).unwrap();
    let inputs = [
        root.to_path_buf(),
        root.join("Box_00000.jpg"),
        root.join("none.jpg"),
    ];
    let found = survey(&inputs, &Overrides::default()).unwrap();
    assert_eq!(found.brackets.len(), 1);
    let reason = |name: &str| {
        let file = found.skipped.iter().find(|s| s.file.ends_with(name));
        file.map(|s| s.reason)
    };
    assert_eq!(reason("README.md"), Some(SkipReason::NotAPicture));
    assert_eq!(reason(".hidden.jpg"), Some(SkipReason::Hidden));
    assert_eq!(reason("map.hdr"), Some(SkipReason::RadianceMap));
    assert_eq!(reason("deeper"), Some(SkipReason::Subfolder));
    assert_eq!(reason("Box_00000.jpg"), Some(SkipReason::GivenTwice));
    assert_eq!(found.skipped.len(), 5, "{found}");
    assert_eq!(
        names(found.failed.iter().map(|f| f.file.clone())),
        ["empty.png", "none.jpg", "text.jpg"]
    );
    let problem = |e: &Error| {
        matches!(
            e,
            Error::Input {
                problem: InputProblem::UnknownFormat,
                ..
            }
        )
    };
    assert!(problem(&found.failed[2].error));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// The order in which files are given changes nothing.
    #[test]
    fn the_survey_does_not_depend_on_the_order_of_inputs(order in Just((0..11).collect::<Vec<usize>>()).prop_shuffle()) {
        let folder = tempfile::tempdir().unwrap();
        burst(folder.path(), "Box", 0, &HALF_NOMINAL_DOUBLE);
        burst(folder.path(), "Box", 150, &HALF_NOMINAL_DOUBLE);
        burst(folder.path(), "Other", 20, &HALF_NOMINAL_DOUBLE);
        picture(folder.path(), "x.jpg", &Tags { composite: Some(3), moment: Some(260), ..PLAIN });
        picture(folder.path(), "y.png", &PLAIN);
        let mut files: Vec<PathBuf> = std::fs::read_dir(folder.path()).unwrap().map(|e| e.unwrap().path()).collect();
        files.sort();
        prop_assert_eq!(files.len(), 11);
        let shuffled: Vec<PathBuf> = order.iter().map(|&i| files[i].clone()).collect();
        let overrides = Overrides::default();
        let sorted = serde_json::to_string(&survey(&files, &overrides).unwrap()).unwrap();
        let other = serde_json::to_string(&survey(&shuffled, &overrides).unwrap()).unwrap();
        prop_assert_eq!(sorted, other);
        let found = survey(&shuffled, &overrides).unwrap();
        prop_assert_eq!(found.brackets.len(), 3);
    }
}
