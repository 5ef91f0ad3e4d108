//! A made-up run: one bracket, a picture left over, a file skipped, a failure.
use super::fixture::{FILES, bracket};
use stopspan_core::results::{CameraComparison, NotComparable, NotRanked, Undecided};
use stopspan_core::results::{ComparedShot, Interval, SamePlaces, ShotComparison, ShotStanding};
use stopspan_core::results::{Failed, InputFile, Report, UnusedFile};
use stopspan_report::cameras::compare;

/// A run of one bracket, with a picture left over, a file skipped and a failure.
pub fn report() -> Report {
    let mut report = Report::new();
    report.program.version = "0.0.0-fixture".to_owned();
    report.made = Some("2031-04-05T10:11:12Z".to_owned());
    report.settings.insert("--out".into(), "out".into());
    report.settings.insert("--wedge-grid".into(), "1x21".into());
    report.inputs = FILES
        .iter()
        .map(|file| InputFile {
            path: format!("samples/bench/{file}"),
            bytes: 412_345,
            sha256: Some("0123456789abcdef".repeat(4)),
        })
        .collect();
    report.brackets = vec![bracket()];
    report.cameras = Some(cameras());
    report.brackets[0].comparison = Some(super::compared::comparison());
    report.singles = vec![UnusedFile {
        path: "samples/bench/alone.jpg".into(),
        reason: "no other picture within 10 s of it".into(),
    }];
    report.skipped = vec![UnusedFile {
        path: "samples/bench/notes.txt".into(),
        reason: "not a picture by its content".into(),
    }];
    report.failed = vec![Failed {
        name: "samples/bench/cut.jpg".into(),
        problem: "is damaged or cut short".into(),
        advice: "copy the file from the camera again, or leave it out".into(),
    }];
    report
}

/// Two cameras with every reason not to compare them.
fn cameras() -> CameraComparison {
    let mut other = bracket();
    other.camera = Some("Another Camera".into());
    let mut cameras = compare(&[bracket(), other], &[]).unwrap();
    let standing = &mut cameras.rows[0].standings[0];
    standing.undecided.push(Undecided {
        bracket: "third".into(),
        reason: NotRanked::WedgeTooShortForBoth,
    });
    let bracket = || "other".to_owned();
    cameras.shots = Some(shots());
    cameras.not_comparable = vec![
        NotComparable::Wedge { bracket: bracket() },
        NotComparable::Framing {
            bracket: bracket(),
            ratio: 1.5,
        },
        NotComparable::Light {
            bracket: bracket(),
            difference: -0.9,
        },
        NotComparable::Speed {
            bracket: bracket(),
            speed: 200.0,
            first: 100.0,
        },
    ];
    cameras
}

/// Default shots of the two.
fn shots() -> ShotComparison {
    let interval = |value: f64| {
        Some(Interval {
            value,
            low95: Some(value - 0.04),
            high95: Some(value + 0.04),
        })
    };
    let standing = |rank| {
        Some(ShotStanding {
            rank: Some(rank),
            tied: Vec::new(),
            undecided: Vec::new(),
        })
    };
    let shot = |camera: &str, by: f64, rank| ComparedShot {
        camera: camera.into(),
        file: FILES[1].into(),
        settings: Default::default(),
        shared: 17,
        expected_stops: Some(0.0),
        light_stops: interval(by),
        snr_stops: interval(-by),
        chroma: interval(2.0 + by),
        brightest: standing(rank),
        above_settings: standing(rank),
        cleanest: standing(3 - rank),
        most_neutral: standing(3 - rank),
    };
    ShotComparison {
        places: SamePlaces::Wedge,
        equal_settings: true,
        shots: vec![
            shot("Example Camera 1", 0.0, 2),
            shot("Another Camera", 0.31, 1),
        ],
    }
}
