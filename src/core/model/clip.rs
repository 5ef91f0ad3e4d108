//! Levels at which a channel clips and at which it is crushed to black.
use serde::{Deserialize, Serialize};

/// Clip and floor level of one channel, fractions of full scale.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Clip {
    /// Levels at or above this count as clipped; may exceed 1 for float samples.
    pub clip_level: f64,
    /// Levels at or below this count as crushed to black.
    pub floor_level: f64,
}
