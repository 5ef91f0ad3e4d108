//! Levels at which a channel clips and is crushed.
use serde::{Deserialize, Serialize};

/// Clipping of one channel, as fractions of full scale.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Clip {
    /// Levels at or above this count as clipped; may exceed 1 for float samples.
    pub clip_level: f64,
    /// Levels at or below this count as crushed to black.
    pub floor_level: f64,
}
