//! Brackets that the camera saved twice, as finished pictures and as raw.
use super::LevelsAndRange;
use serde::{Deserialize, Serialize};

/// The finished pictures of one bracket beside the raw files of the same shots.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SavedTwice {
    /// Name of the bracket of finished pictures; what its curve is through the raw files stands in its own entry.
    pub finished: String,
    /// Name of the bracket of raw files.
    pub raw: String,
    /// Steps of the wedge in the finished pictures; `None` without one.
    pub finished_steps: Option<usize>,
    /// Steps of the wedge in the raw files.
    pub raw_steps: Option<usize>,
    /// A row a shot, least exposure first, and the two merges last.
    pub rows: Vec<SavedTwiceRow>,
}

/// Figures of one shot, or of the merges.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SavedTwiceRow {
    /// Finished picture; for the merges no file is named.
    pub finished: LevelsAndRange,
    /// Raw file.
    pub raw: LevelsAndRange,
    /// Stops down to SNR 1 that the raw one holds more than the finished one: negative where processing that removes noise makes
    /// the finished one look deeper. `None` where either has no figure.
    pub more_in_raw_stops: Option<f64>,
}
