//! Brackets of tiny pictures loaded: exposures given by hand, frames that do not go together, damaged frames.
use super::pictures::{HALF_NOMINAL_DOUBLE, PLAIN, Tags, brackets, burst, look, picture};
use std::path::Path;
use stopspan_core::Error;
use stopspan_core::error::{BracketProblem, InputProblem};
use stopspan_core::finding::Finding;
use stopspan_frames::{ExposureOverride, Overrides, load, survey};

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
