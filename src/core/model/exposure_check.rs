//! Stated exposures against those measured from the pixels.
use crate::units::Estimate;
use serde::{Deserialize, Serialize};

/// Exposure ratios: stated against measured.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct ExposureCheck {
    /// One entry a pair of frames.
    pub pairs: Vec<PairRatio>,
    /// One entry a triple of frames: what is left over when the ratios are added round.
    pub closures: Vec<Closure>,
}

/// The exposure ratio of two frames in stops, `second` over `first`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PairRatio {
    /// File with less exposure.
    pub first: String,
    /// File with more exposure.
    pub second: String,
    /// As stated, stops.
    pub stated: Estimate,
    /// As measured from pixels, stops; `None` where too few pixels are good in both.
    pub measured: Option<Estimate>,
    /// As used by the merge, stops.
    pub used_stops: f64,
}

/// What is left over when three measured ratios are added round: 0 in a consistent bracket.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Closure {
    /// The three files, least exposure first.
    pub files: [String; 3],
    /// `e12 + e23 - e13`, stops, with its standard uncertainty.
    pub closure: Estimate,
}
