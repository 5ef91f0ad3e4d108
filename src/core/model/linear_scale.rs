//! How linear levels become exposure.
use super::{Bracket, Raw};
use crate::finding::Finding;

/// Black and gain of one plane or channel: exposure is `(level - black) * per_level`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LinearScale {
    /// Level of no light, fraction of full scale.
    pub black: f64,
    /// Exposure per level; exposure 1 just clips green, white-balanced.
    pub per_level: f64,
}

/// Scales of all planes or channels of raw frames.
#[derive(Debug, Clone, PartialEq)]
pub struct LinearScales {
    /// One a plane or channel.
    pub scales: Vec<LinearScale>,
    /// Stated levels that the pixels contradict.
    pub findings: Vec<Finding>,
}

/// What raw frames are linear by; `None` for other frames.
pub fn raw_of(bracket: &Bracket) -> Option<&Raw> {
    bracket
        .frames
        .get(bracket.reference)?
        .picture
        .raw
        .as_deref()
}
