//! Folders of tiny pictures written here, with EXIF by another library, sorted into brackets.
use exif::experimental::Writer;
use exif::{Field, In, Rational, SRational, Tag, Value};
use proptest::prelude::*;
use std::path::{Path, PathBuf};
use stopspan::Error;
use stopspan::error::{BracketProblem, InputProblem};
use stopspan::finding::Finding;
use stopspan::frames::{ExposureOverride, Overrides, SkipReason, Survey, load, survey};

/// What a tiny picture states.
#[derive(Debug, Clone)]
struct Tags {
    time: Option<(u32, u32)>,
    bias: Option<i32>,
    /// Hundredths of a second after 10:00:00.
    moment: Option<u32>,
    model: &'static str,
    size: (u16, u16),
    composite: Option<u16>,
    custom: Option<u16>,
}

const PLAIN: Tags = Tags {
    time: Some((1, 60)),
    bias: None,
    moment: None,
    model: "Box",
    size: (16, 8),
    composite: None,
    custom: None,
};

fn exif_block(tags: &Tags) -> Vec<u8> {
    let field = |tag, value| Field {
        tag,
        ifd_num: In::PRIMARY,
        value,
    };
    let ascii = |text: String| Value::Ascii(vec![text.into_bytes()]);
    let rational = |(num, denom)| Value::Rational(vec![Rational { num, denom }]);
    let mut fields = vec![
        field(Tag::Model, ascii(tags.model.to_owned())),
        field(Tag::FNumber, rational((4, 1))),
        field(Tag::PhotographicSensitivity, Value::Short(vec![100])),
    ];
    fields.extend(tags.time.map(|t| field(Tag::ExposureTime, rational(t))));
    fields.extend(tags.bias.map(|num| {
        field(
            Tag::ExposureBiasValue,
            Value::SRational(vec![SRational { num, denom: 1 }]),
        )
    }));
    if let Some(moment) = tags.moment {
        let (second, sub) = (moment / 100, moment % 100);
        let text = format!("2031:04:05 10:{:02}:{:02}", second / 60, second % 60);
        fields.push(field(Tag::DateTimeOriginal, ascii(text)));
        fields.push(field(Tag::SubSecTimeOriginal, ascii(format!("{sub:02}"))));
    }
    let composite = Tag(exif::Context::Exif, 0xa460);
    fields.extend(
        tags.composite
            .map(|v| field(composite, Value::Short(vec![v]))),
    );
    fields.extend(
        tags.custom
            .map(|v| field(Tag::CustomRendered, Value::Short(vec![v]))),
    );
    let mut writer = Writer::new();
    for field in &fields {
        writer.push_field(field);
    }
    let mut block = std::io::Cursor::new(Vec::new());
    writer.write(&mut block, false).unwrap();
    block.into_inner()
}

/// Writes a picture; a ramp, so that something can be decoded.
fn picture(folder: &Path, name: &str, tags: &Tags) -> PathBuf {
    let file = folder.join(name);
    let (columns, rows) = tags.size;
    let samples: Vec<u8> = (0..usize::from(columns) * usize::from(rows) * 3)
        .map(|i| (i % 251) as u8)
        .collect();
    if name.ends_with(".png") {
        let out = std::fs::File::create(&file).unwrap();
        let mut info = png::Info::with_size(u32::from(columns), u32::from(rows));
        info.color_type = png::ColorType::Rgb;
        info.exif_metadata = Some(exif_block(tags).into());
        let encoder = png::Encoder::with_info(out, info).unwrap();
        encoder
            .write_header()
            .unwrap()
            .write_image_data(&samples)
            .unwrap();
    } else {
        let mut encoder = jpeg_encoder::Encoder::new_file(&file, 95).unwrap();
        encoder.add_exif_metadata(&exif_block(tags)).unwrap();
        encoder
            .encode(&samples, columns, rows, jpeg_encoder::ColorType::Rgb)
            .unwrap();
    }
    file
}

/// Frames of a burst: time, bias, hundredths of a second; names follow the moment.
fn burst(folder: &Path, model: &'static str, first: u32, frames: &[((u32, u32), i32)]) {
    for (index, (time, bias)) in frames.iter().enumerate() {
        let moment = first + 30 * index as u32;
        let tags = Tags {
            time: Some(*time),
            bias: Some(*bias),
            moment: Some(moment),
            model,
            ..PLAIN
        };
        picture(folder, &format!("{model}_{moment:05}.jpg"), &tags);
    }
}

const HALF_NOMINAL_DOUBLE: [((u32, u32), i32); 3] = [((1, 120), -1), ((1, 60), 0), ((1, 30), 1)];

fn look(folder: &Path) -> Survey {
    survey(&[folder.to_path_buf()], &Overrides::default()).unwrap()
}

fn names(files: impl IntoIterator<Item = PathBuf>) -> Vec<String> {
    let name = |f: PathBuf| f.file_name().unwrap().to_string_lossy().into_owned();
    files.into_iter().map(name).collect()
}

fn brackets(survey: &Survey) -> Vec<Vec<String>> {
    let files = |b: &stopspan::frames::BracketPlan| names(b.frames.iter().map(|f| f.file.clone()));
    survey.brackets.iter().map(files).collect()
}

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

#[test]
fn the_cameras_own_hdr_picture_by_tag_and_by_place() {
    let fourth = Tags {
        bias: Some(0),
        moment: Some(200),
        ..PLAIN
    };
    let cases = [
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
                ..fourth.clone()
            },
        ),
    ];
    for (evidence, tags) in cases {
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

#[test]
fn frames_without_any_exposure() {
    let folder = tempfile::tempdir().unwrap();
    for name in ["a10.png", "a9.png", "a8.png"] {
        picture(
            folder.path(),
            name,
            &Tags {
                time: None,
                ..PLAIN
            },
        );
    }
    let found = look(folder.path());
    assert_eq!(brackets(&found), [["a8.png", "a9.png", "a10.png"]]);
    assert!(found.to_string().contains("exposure not known"));
    let refused = load(&found.brackets[0], &Overrides::default());
    let Err(Error::Bracket { files, problem }) = refused else {
        panic!("{refused:?}");
    };
    assert_eq!((files.len(), problem), (3, BracketProblem::NoExposure));
    let parse = |t: &str| ExposureOverride::parse(t).unwrap();
    let said = |texts: &[&str]| Overrides {
        exposures: texts.iter().map(|t| parse(t)).collect(),
        ..Overrides::default()
    };
    let inputs = [folder.path().to_path_buf()];
    let stops = said(&["a8.png=-2ev", "a9.png=0ev", "a10.png=+2ev"]);
    let bracket = load(&survey(&inputs, &stops).unwrap().brackets[0], &stops).unwrap();
    assert_eq!(bracket.relative_exposure(0), 0.25);
    let some = survey(
        &inputs,
        &said(&["a8.png=-2ev", "a9.png=1/60", "a10.png=1/30"]),
    );
    assert!(matches!(some, Err(Error::Request { .. })), "{some:?}");
    let none = survey(&inputs, &said(&["b*.png=1/60"]));
    assert!(matches!(none, Err(Error::Request { .. })), "{none:?}");
}

#[test]
fn explicit_files_are_one_bracket_whatever_their_times() {
    let folder = tempfile::tempdir().unwrap();
    burst(folder.path(), "Box", 0, &HALF_NOMINAL_DOUBLE[..1]);
    burst(folder.path(), "Other", 40_000, &HALF_NOMINAL_DOUBLE[1..2]);
    burst(folder.path(), "Box", 90_000, &HALF_NOMINAL_DOUBLE[2..]);
    let hdr = Tags {
        composite: Some(3),
        ..PLAIN
    };
    let hdr = picture(folder.path(), "own.jpg", &hdr);
    let one = Overrides {
        one_bracket: true,
        ..Overrides::default()
    };
    let found = survey(&[folder.path().to_path_buf()], &one).unwrap();
    assert_eq!(found.brackets.len(), 1);
    assert_eq!(found.brackets[0].frames.len(), 3);
    assert_eq!(
        found.brackets[0].camera_hdr.as_ref().map(|h| &h.file),
        Some(&hdr)
    );
}

#[test]
fn what_does_not_go_together_is_refused() {
    let one = Overrides {
        one_bracket: true,
        ..Overrides::default()
    };
    let problem = |frames: &[Tags]| {
        let folder = tempfile::tempdir().unwrap();
        for (index, tags) in frames.iter().enumerate() {
            picture(folder.path(), &format!("p{index}.jpg"), tags);
        }
        let found = survey(&[folder.path().to_path_buf()], &one).unwrap();
        match load(&found.brackets[0], &one) {
            Err(Error::Bracket { problem, .. }) => problem,
            other => panic!("{other:?}"),
        }
    };
    let longer = Tags {
        time: Some((1, 30)),
        ..PLAIN
    };
    let wider = Tags {
        size: (24, 8),
        ..longer.clone()
    };
    assert_eq!(
        problem(&[PLAIN, wider]),
        BracketProblem::Sizes {
            first: (16, 8),
            other: (24, 8)
        }
    );
    assert_eq!(problem(&[PLAIN, PLAIN]), BracketProblem::EqualExposures);
    assert_eq!(
        problem(&[PLAIN]),
        BracketProblem::TooFew {
            found: 1,
            needed: 2
        }
    );
    let unknown = Tags {
        time: Some((0, 0)),
        ..PLAIN
    };
    assert_eq!(problem(&[PLAIN, unknown]), BracketProblem::NoExposure);
}

#[test]
fn a_damaged_frame_is_left_out_while_two_remain() {
    let folder = tempfile::tempdir().unwrap();
    burst(folder.path(), "Box", 0, &HALF_NOMINAL_DOUBLE);
    let plan = look(folder.path()).brackets.remove(0);
    let cut = |file: &Path| {
        let bytes = std::fs::read(file).unwrap();
        std::fs::write(file, &bytes[..bytes.len() - 40]).unwrap();
    };
    cut(&plan.frames[1].file);
    let bracket = load(&plan, &Overrides::default()).unwrap();
    assert_eq!((bracket.frames.len(), bracket.reference), (2, 0));
    assert!(
        bracket
            .findings
            .iter()
            .any(|f| matches!(f, Finding::FrameLeftOut { frame, .. } if frame == "Box_00030.jpg"))
    );
    cut(&plan.frames[0].file);
    let refused = load(&plan, &Overrides::default());
    assert!(
        matches!(
            refused,
            Err(Error::Input {
                problem: InputProblem::Damaged,
                ..
            })
        ),
        "{refused:?}"
    );
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
