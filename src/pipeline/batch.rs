//! Many brackets in one folder: which of them a part of the job does, and which an earlier run has finished.
//!
//! A finished bracket leaves `done.json` in its folder, written last: its entry of the report, the pictures of its section of the page, the files it
//! left with their sums, and a key, the SHA-256 of everything the results depend on: version, settings, and the bytes of every file
//! that was opened. With it a later run can take the bracket as done; and runs that share a folder need not talk to each other, since
//! each bracket has its own. A record that was changed is refused; a bracket whose files were changed or removed is made again.
use super::job::BracketDone;
use super::kept;
use super::{Settings, sheets};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::path::Path;
use stopspan_core::Error;
use stopspan_core::error::OutputProblem;
use stopspan_core::model::FileDigest;
use stopspan_core::results::{BracketReport, InputFile, Program, SCHEMA};
use stopspan_formats as formats;
use stopspan_formats::staged::{Outputs, remove_leftovers, write_whole};
use stopspan_frames::BracketPlan;
use stopspan_report::figure::View;
use stopspan_report::{BracketRecord, hexadecimal};

/// File name of what a finished bracket leaves for later runs.
const DONE: &str = "done.json";

/// One of several parts of a job: every `of`-th bracket in the order of the survey, beginning with the `number`-th.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Part {
    /// 1 to `of`.
    number: usize,
    /// Parts in all.
    of: usize,
}

impl Part {
    /// Part `number` of `of`, counted from 1; `None` unless 1 <= `number` <= `of`.
    pub fn new(number: usize, of: usize) -> Option<Self> {
        (1 <= number && number <= of).then_some(Part { number, of })
    }

    /// True if this part does the bracket with this index, from 0.
    pub fn has(&self, index: usize) -> bool {
        index % self.of == self.number - 1
    }
}

/// A [`BracketRecord`] as it is kept, with the sum of its text.
#[derive(Serialize, Deserialize)]
struct Record {
    /// Hexadecimal SHA-256 of `bracket`.
    sha256: String,
    /// The bracket, as JSON.
    bracket: String,
}

impl Record {
    /// The bracket; `None` for text that is not what was written.
    fn open(bytes: &[u8]) -> Option<BracketRecord> {
        let record: Record = serde_json::from_slice(bytes).ok()?;
        let whole = record.sha256 == sum_of(&record.bracket);
        whole
            .then(|| BracketRecord::of_text(&record.bracket))
            .flatten()
    }
}

fn sum_of(text: &str) -> String {
    hexadecimal(&Sha256::digest(text).into())
}

/// Puts what a bracket gave together.
pub(super) fn record_of(
    (plan, settings): (&BracketPlan, &Settings),
    made: BracketDone,
) -> Result<BracketRecord, Error> {
    let sums = all_sums(plan, settings, &made.files)?;
    let input = |file: &FileDigest| InputFile {
        path: file.file.display().to_string(),
        bytes: std::fs::metadata(&file.file).map_or(0, |m| m.len()),
        sha256: Some(hexadecimal(&file.sha256)),
    };
    Ok(BracketRecord {
        key: key(plan, settings, &sums),
        inputs: sums.iter().map(input).collect(),
        entry: made.entry,
        figures: made.figures,
        outputs: Vec::new(),
    })
}

/// Writes a record into the bracket's folder, whole or not at all, with the sums of the files that are there.
pub(super) fn keep(done: &mut BracketRecord, folder: &Path, policy: &Outputs) -> Result<(), Error> {
    done.outputs = kept::files_in(folder, DONE)?;
    write_whole(&folder.join(DONE), policy, |sink| {
        let bracket = done.text()?;
        let sha256 = sum_of(&bracket);
        serde_json::to_writer(sink, &Record { sha256, bracket }).map_err(std::io::Error::other)
    })
}

/// What a run left of a bracket that it finished, as it stands in the bracket's folder.
#[derive(Debug, Clone)]
pub struct FinishedBracket {
    /// Its entry of the report.
    pub entry: BracketReport,
    /// The files it was made of.
    pub inputs: Vec<InputFile>,
    /// The pictures that its page compares with the merge, and where each lies on it.
    pub views: Vec<View>,
}

/// Reads what a run left in a bracket's folder; `None` where no bracket is finished, or its record was changed.
pub fn finished_bracket(folder: &Path) -> Option<FinishedBracket> {
    let done = Record::open(&std::fs::read(folder.join(DONE)).ok()?)?;
    Some(FinishedBracket {
        entry: done.entry,
        inputs: done.inputs,
        views: done.figures.views,
    })
}

/// What a run that goes on from an earlier one finds in a bracket's folder.
pub(super) enum Found {
    /// The bracket, done with the same inputs and settings.
    Done(Box<BracketRecord>),
    /// Nothing, or what a run left that did not finish; its half-written files are gone, the others may be replaced.
    Unfinished,
}

/// True if a run finished a bracket in this folder.
pub(super) fn is_finished(folder: &Path) -> bool {
    folder.join(DONE).is_file()
}

/// Removes the half-written files that a stopped run left in a folder and its folder of sheets.
pub(super) fn clear(folder: &Path) {
    remove_leftovers(folder);
    remove_leftovers(&folder.join(sheets::FOLDER));
}

/// Looks for a finished bracket in `folder`.
///
/// # Errors
/// [`OutputProblem::Otherwise`] if it was done with other inputs or settings and may not be replaced;
/// [`Error::Input`] if an input cannot be read.
pub(super) fn find(folder: &Path, plan: &BracketPlan, settings: &Settings) -> Result<Found, Error> {
    clear(folder);
    let path = folder.join(DONE);
    let Ok(bytes) = std::fs::read(&path) else {
        return Ok(Found::Unfinished);
    };
    let sums = all_sums(plan, settings, &[])?;
    match Record::open(&bytes) {
        Some(done) if done.key == key(plan, settings, &sums) => {
            let whole = kept::unchanged(folder, &done.outputs);
            Ok(if whole {
                Found::Done(Box::new(done))
            } else {
                Found::Unfinished
            })
        }
        _ if settings.overwrite => Ok(Found::Unfinished),
        _ => Err(Error::output(path, OutputProblem::Otherwise, None)),
    }
}

/// Sums of every file the results depend on: those known, the others read.
fn all_sums(
    plan: &BracketPlan,
    settings: &Settings,
    known: &[FileDigest],
) -> Result<Vec<FileDigest>, Error> {
    let sum = |file: &Path| {
        let known = known.iter().find(|k| k.file == file);
        let sha256 = known.map_or_else(|| formats::sha256_of(file), |k| Ok(k.sha256));
        Ok(FileDigest {
            file: file.to_owned(),
            sha256: sha256?,
        })
    };
    settings.opened_files(plan).into_iter().map(sum).collect()
}

fn key(plan: &BracketPlan, settings: &Settings, sums: &[FileDigest]) -> String {
    let record = serde_json::Value::Object(settings.record());
    let text = format!("{SCHEMA} {:?} {record} {plan:?} {sums:?}", Program::this());
    sum_of(&text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_share_the_brackets_out_without_overlap() {
        for of in 1..6 {
            for index in 0..30 {
                let parts = (1..=of).map(|k| Part::new(k, of).unwrap());
                assert_eq!(parts.filter(|p| p.has(index)).count(), 1);
            }
        }
    }

    #[test]
    fn parts_that_make_no_sense_are_refused() {
        for (number, of) in [(0, 3), (4, 3), (1, 0)] {
            assert!(Part::new(number, of).is_none(), "{number}/{of}");
        }
    }
}
