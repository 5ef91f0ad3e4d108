//! What is kept of a finished bracket, as text, so that a later run can take it as done.
use crate::PageFigures;
use serde::{Deserialize, Serialize};
use std::path::PathBuf;
use stopspan_core::results::{BracketReport, InputFile};

/// A bracket that is done.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct BracketRecord {
    /// Hexadecimal SHA-256 of all that the results depend on.
    pub key: String,
    /// The files it was made of.
    pub inputs: Vec<InputFile>,
    /// Its entry of the report.
    pub entry: BracketReport,
    /// The pictures of its section of the page.
    pub figures: PageFigures,
    /// The files in its folder; empty until it is kept.
    pub outputs: Vec<KeptFile>,
}

/// A file that a finished bracket left.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct KeptFile {
    /// Path within the bracket's folder.
    pub path: PathBuf,
    /// Length, bytes.
    pub bytes: u64,
    /// Hexadecimal SHA-256.
    pub sha256: String,
}

impl BracketRecord {
    /// The record as JSON.
    ///
    /// # Errors
    /// Data that cannot be written as JSON.
    pub fn text(&self) -> std::io::Result<String> {
        serde_json::to_string(self).map_err(std::io::Error::other)
    }

    /// The record that [`Self::text`] wrote; `None` for other text.
    pub fn of_text(text: &str) -> Option<Self> {
        serde_json::from_str(text).ok()
    }
}
