//! Comparison of stated exposures with those measured from pixels.
use crate::units::Estimate;
use serde::{Deserialize, Serialize};

/// Exposure ratios, stated and measured.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct ExposureCheck {
    /// One entry for each pair of frames.
    pub pairs: Vec<PairRatio>,
    /// One entry for each triple of frames.
    pub closures: Vec<Closure>,
}

/// Exposure ratio of two frames, `second` over `first`, in stops.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PairRatio {
    /// File name of the frame with less exposure.
    pub first: String,
    /// File name of the frame with more exposure.
    pub second: String,
    /// Stated ratio, stops.
    pub stated: Estimate,
    /// Ratio measured from pixels, stops; `None` if too few are usable in both frames.
    pub measured: Option<Estimate>,
    /// Ratio used by the merge, stops.
    pub used_stops: f64,
}

/// Closure of three measured ratios: 0 in a consistent bracket.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Closure {
    /// File names of the three frames, by increasing exposure.
    pub files: [String; 3],
    /// `e12 + e23 - e13`, stops, with its standard uncertainty.
    pub closure: Estimate,
}
