//! The report of one run: settings, inputs, and one entry per bracket.
use crate::results::BracketReport;
use crate::results::CameraComparison;
use crate::results::SavedTwice;
use crate::results::WithoutBracket;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

/// Name and version of the layout of report.json. Changing or removing a field raises the version; adding one does not.
pub const SCHEMA: &str = "stopspan-report/2";

/// Everything one run found: plain data, serialised as report.json. Numbers without a value are `null`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Report {
    /// Layout of this document: [`SCHEMA`].
    pub schema: String,
    /// The program that made it.
    pub program: Program,
    /// Moment of the run, UTC, "2031-04-05T10:11:12Z": the only line that differs between reports of the same inputs and
    /// settings. `None` where it was left out.
    pub made: Option<String>,
    /// Settings as used, those that change a figure or a file, sorted by name.
    pub settings: Map<String, Value>,
    /// Every file that was read, in the order of the input.
    pub inputs: Vec<InputFile>,
    /// One entry per bracket, in the order found.
    pub brackets: Vec<BracketReport>,
    /// Finished pictures without a bracket that show a wedge, one entry per camera.
    #[serde(default)]
    pub without_bracket: Vec<WithoutBracket>,
    /// Comparison of cameras; `None` with fewer than two.
    #[serde(default)]
    pub cameras: Option<CameraComparison>,
    /// Brackets that the camera saved both as finished pictures and as raw.
    #[serde(default)]
    pub saved_twice: Vec<SavedTwice>,
    /// Pictures that belong to no bracket and were not measured, with the reason.
    pub singles: Vec<UnusedFile>,
    /// Files not taken as pictures, with the reason.
    pub skipped: Vec<UnusedFile>,
    /// Files or brackets that could not be processed.
    pub failed: Vec<Failed>,
}

impl Report {
    /// A report without brackets, made by this version of the program.
    pub fn new() -> Self {
        Report {
            schema: SCHEMA.to_owned(),
            program: Program::this(),
            made: None,
            settings: Map::new(),
            inputs: Vec::new(),
            brackets: Vec::new(),
            without_bracket: Vec::new(),
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

/// Reason of a file that is no picture by its name.
pub const NOT_A_PICTURE: &str = "not a picture";

/// A file that was not used.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct UnusedFile {
    /// Path as given.
    pub path: String,
    /// Reason, in words.
    pub reason: String,
}

impl UnusedFile {
    /// True unless the file is no picture by its name: a list, a note.
    pub fn may_be_a_picture(&self) -> bool {
        self.reason != NOT_A_PICTURE
    }
}

/// A file or bracket that could not be processed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Failed {
    /// Path of the file, or name of the bracket.
    pub name: String,
    /// What went wrong, in words.
    pub problem: String,
    /// What to do about it.
    pub advice: String,
}
