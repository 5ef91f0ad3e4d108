//! Brackets that the camera saved twice, as finished pictures and as raw: plain data, as serialised in the report.
use super::LevelsAndRange;
use serde::{Deserialize, Serialize};

/// The finished pictures of one bracket compared with the raw files of the same shots.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SavedTwice {
    /// Name of the bracket of finished pictures; its curve by the raw files is in its own entry
    /// ([`super::BracketReport::raw_beside`]).
    pub finished: String,
    /// Name of the bracket of raw files.
    pub raw: String,
    /// Steps of the wedge in the finished pictures; `None` without one.
    pub finished_steps: Option<usize>,
    /// Steps of the wedge in the raw files.
    pub raw_steps: Option<usize>,
    /// One row per shot, least exposure first; the last row compares the two merges.
    pub rows: Vec<SavedTwiceRow>,
}

/// Figures of one shot, or of the two merges.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SavedTwiceRow {
    /// Figures of the finished picture; without file name for the merge.
    pub finished: LevelsAndRange,
    /// Figures of the raw file.
    pub raw: LevelsAndRange,
    /// Range down to SNR 1 of the raw file minus that of the finished picture, stops; negative where noise reduction
    /// extends the range of the finished one. `None` where either is missing.
    pub more_in_raw_stops: Option<f64>,
}
