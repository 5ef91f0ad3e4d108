//! The report of one run: what was asked, what was found in the inputs, and one entry a bracket.
use crate::results::BracketReport;
use crate::results::CameraComparison;
use crate::results::SavedTwice;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Name and version of the layout of report.json. A field that changes meaning or goes away raises the number; a field
/// that is added does not.
pub const SCHEMA: &str = "stopspan-report/1";

/// All that one run found: plain data, serialised as report.json. Numbers that could not be given are `null`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Report {
    /// Layout of this document: [`SCHEMA`].
    pub schema: String,
    /// The program that made it.
    pub program: Program,
    /// Moment of the run, UTC, "2031-04-05T10:11:12Z": the one line in which reports of the same inputs and settings
    /// differ. `None` where it was left out.
    pub made: Option<String>,
    /// Settings as used, name of the option -> value as text; sorted by name.
    pub settings: BTreeMap<String, String>,
    /// Every file that was read, in the order of the input.
    pub inputs: Vec<InputFile>,
    /// One entry a bracket, in the order found.
    pub brackets: Vec<BracketReport>,
    /// Cameras beside each other; `None` with fewer than two.
    #[serde(default)]
    pub cameras: Option<CameraComparison>,
    /// Brackets that the camera saved both finished and raw.
    #[serde(default)]
    pub saved_twice: Vec<SavedTwice>,
    /// Pictures that belong to no bracket, and why.
    pub singles: Vec<UnusedFile>,
    /// Files that were not taken as pictures, and why.
    pub skipped: Vec<UnusedFile>,
    /// Files or brackets whose job failed.
    pub failed: Vec<Failed>,
}

impl Report {
    /// A report without brackets, by this version of the program.
    pub fn new() -> Self {
        Report {
            schema: SCHEMA.to_owned(),
            program: Program::this(),
            made: None,
            settings: BTreeMap::new(),
            inputs: Vec::new(),
            brackets: Vec::new(),
            cameras: None,
            saved_twice: Vec::new(),
            singles: Vec::new(),
            skipped: Vec::new(),
            failed: Vec::new(),
        }
    }
}

impl Default for Report {
    fn default() -> Self {
        Self::new()
    }
}

/// A program and its version.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Program {
    /// Name.
    pub name: String,
    /// Version, semantic.
    pub version: String,
}

impl Program {
    /// This program.
    pub fn this() -> Self {
        Program {
            name: crate::PROGRAM.to_owned(),
            version: crate::VERSION.to_owned(),
        }
    }
}

/// A file that was read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct InputFile {
    /// Path as given.
    pub path: String,
    /// Length in bytes.
    pub bytes: u64,
    /// SHA-256 (FIPS 180-4) of the content in hexadecimal; `None` where the file could not be read.
    pub sha256: Option<String>,
}

/// A file that was left aside.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct UnusedFile {
    /// Path as given.
    pub path: String,
    /// Why, in words.
    pub reason: String,
}

/// A job that failed while the others went on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Failed {
    /// The file, or the name of the bracket.
    pub name: String,
    /// What went wrong, in words.
    pub problem: String,
    /// What to do about it.
    pub advice: String,
}
