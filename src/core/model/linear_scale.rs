//! From linear levels to exposure: black level and scale.
use super::{Bracket, Raw};
use crate::finding::Finding;

/// Black level and scale of one plane or channel: exposure is `(level - black) * per_level`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LinearScale {
    /// Black level, fraction of full scale.
    pub black: f64,
    /// White-balanced exposure per unit level; exposure 1 is where green just clips.
    pub per_level: f64,
}

/// Scales of all planes or channels of raw frames.
#[derive(Debug, Clone, PartialEq)]
pub struct LinearScales {
    /// One for each plane of a mosaic (red, green, green, blue), or each channel.
    pub scales: Vec<LinearScale>,
    /// Levels the file states that the pixels contradict.
    pub findings: Vec<Finding>,
}

/// What the file of the first frame states of its raw samples; `None` if the frames are not raw.
pub fn raw_of(bracket: &Bracket) -> Option<&Raw> {
    bracket
        .frames
        .get(bracket.reference)?
        .picture
        .raw
        .as_deref()
}
