//! What the report records of the inputs: files with their sums, what was left aside, what failed.
use super::Settings;
use stopspan_core::Error;
use stopspan_core::results::{Failed, InputFile, Report, UnusedFile};
use stopspan_formats as formats;
use stopspan_frames::Survey;
use stopspan_report::{hexadecimal, moment};

/// The report before any bracket is done: settings, inputs, what was left aside.
pub(super) fn begin(settings: &Settings, survey: &Survey) -> Report {
    let mut report = Report::new();
    report.made = Some(moment::utc(std::time::SystemTime::now()));
    report.settings = settings.record();
    let frames = survey.brackets.iter().flat_map(|b| {
        b.frames
            .iter()
            .map(|f| f.file.clone())
            .chain(b.camera_hdr.iter().map(|h| h.file.clone()))
    });
    report.inputs = frames
        .map(|file| InputFile {
            bytes: std::fs::metadata(&file).map_or(0, |m| m.len()),
            path: file.display().to_string(),
            sha256: None,
        })
        .collect();
    let left = |path: &std::path::Path, reason: &str| UnusedFile {
        path: path.display().to_string(),
        reason: reason.into(),
    };
    report.skipped = survey
        .skipped
        .iter()
        .map(|s| left(&s.file, &s.reason.words()))
        .collect();
    report.failed = survey
        .failed
        .iter()
        .map(|f| Failed {
            name: f.file.display().to_string(),
            problem: f.problem.clone(),
            advice: f.advice.clone(),
        })
        .collect();
    report
}

/// Enters the sums of a finished bracket's files.
pub(super) fn enter_sums(inputs: &mut [InputFile], of: &[InputFile]) {
    for known in of {
        for input in inputs.iter_mut().filter(|i| i.path == known.path) {
            input.sha256.clone_from(&known.sha256);
        }
    }
}

/// Files that were not decoded, or failed to be, are read for their sum alone; `None` stays where that fails too.
pub(super) fn enter_missing_sums(inputs: &mut [InputFile]) {
    for input in inputs.iter_mut().filter(|i| i.sha256.is_none()) {
        let sum = formats::sha256_of(std::path::Path::new(&input.path));
        input.sha256 = sum.ok().map(|s| hexadecimal(&s));
    }
}

/// A failed bracket's entry.
pub(super) fn failure(name: &str, error: &Error) -> Failed {
    Failed {
        name: name.into(),
        problem: error.to_string(),
        advice: error.advice(),
    }
}
