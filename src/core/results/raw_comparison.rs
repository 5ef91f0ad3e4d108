//! Comparison of a bracket of finished frames with raw files of the same shots: plain data, as serialised in the report.
use serde::{Deserialize, Serialize};

/// Comparison of a bracket of finished frames with raw files of the same shots.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RawComparison {
    /// Name of the bracket of raw files.
    pub bracket: String,
    /// Finished frames and their raw files, least exposure first.
    pub frames: Vec<RawPair>,
    /// The curve of each channel; empty where too few areas could be compared.
    pub curves: Vec<CurveFromRaw>,
}

/// One shot, saved as finished picture and as raw.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RawPair {
    /// File name of the finished frame.
    pub file: String,
    /// File name of the raw frame.
    pub raw: String,
    /// Share of the areas clipped in the finished frame (mean within 1.5 8-bit codes of its clip level) but without a
    /// clipped sample in the raw one.
    pub clipped_alone: f64,
    /// Share of the areas whose mean in the finished frame is at most 1.5 8-bit codes above its floor, while their exposure
    /// in the raw one exceeds the noise of one sample.
    pub black_alone: f64,
}

/// Level of the finished frames against exposure by the raw files, one channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CurveFromRaw {
    /// Points, from dark to light.
    pub points: Vec<CurvePoint>,
    /// Root mean square over the points of `recovered - stops`, after removal of its mean (the scale of exposure is free),
    /// stops.
    pub rms_stops: f64,
    /// Slope of recovered log2 exposure against that by the raw files: 1 for a response of correct steepness.
    pub steepness: f64,
    /// Stops from the lightest point to raw green clipping: light that the finished picture compresses into its last codes
    /// or clips.
    pub above_stops: f64,
}

/// One point of a curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CurvePoint {
    /// Level of the finished frames, 8-bit codes.
    pub level: f64,
    /// log2 exposure by the raw files; 0 just clips the raw green channel.
    pub stops: f64,
    /// Standard uncertainty of `stops` from the scatter of the areas, stops. Errors common to all areas (black level,
    /// matrices) are excluded.
    pub standard_uncertainty: f64,
    /// log2 exposure by the recovered response, after removal of the mean difference.
    pub recovered: f64,
    /// Number of areas behind the point.
    pub places: usize,
}
