//! Stated exposures against those measured from the pixels.
use crate::units::Estimate;
use serde::{Deserialize, Serialize};

/// Exposure ratios: stated against measured.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct ExposureCheck {
    /// One entry per pair of frames.
    pub pairs: Vec<PairRatio>,
    /// One entry per triple of frames: the sum of the ratios around the triple.
    pub closures: Vec<Closure>,
}

/// The exposure ratio of two frames in stops, `second` over `first`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PairRatio {
    /// File with less exposure.
    pub first: String,
    /// File with more exposure.
    pub second: String,
    /// Stated ratio, stops.
    pub stated: Estimate,
    /// Ratio measured from the pixels, stops; `None` where too few pixels are usable in both frames.
    pub measured: Option<Estimate>,
    /// Ratio used by the merge, stops.
    pub used_stops: f64,
}

/// Closure of three measured ratios: 0 in a consistent bracket.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Closure {
    /// The three files, least exposure first.
    pub files: [String; 3],
    /// `e12 + e23 - e13`, stops, with its standard uncertainty.
    pub closure: Estimate,
}
