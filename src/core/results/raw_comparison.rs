//! What the raw files of the same shots say of a bracket of finished frames.
use serde::{Deserialize, Serialize};

/// What the raw files of the same shots say of a bracket of finished frames.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RawComparison {
    /// Name of the bracket of raw files.
    pub bracket: String,
    /// Frames and their raw files, least exposure first.
    pub frames: Vec<RawPair>,
    /// The curve of each channel; empty where too few places could be compared.
    pub curves: Vec<CurveFromRaw>,
}

/// One shot, saved twice.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RawPair {
    /// File name of the finished frame.
    pub file: String,
    /// File name of the raw frame.
    pub raw: String,
    /// Share of the places that are clipped in the finished frame (mean within 1.5 8-bit codes of its clip level) and hold no
    /// clipped sample in the raw one.
    pub clipped_alone: f64,
    /// Share of the places whose mean in the finished frame is at most 1.5 8-bit codes above its floor, and whose light in the raw one is
    /// above the noise of one sample.
    pub black_alone: f64,
}

/// Level against exposure of one channel, through the raw files.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CurveFromRaw {
    /// Points, from dark to light.
    pub points: Vec<CurvePoint>,
    /// Root mean square over the points of log2 exposure by the recovered response minus `stops`, less its mean (the scale of
    /// exposure is free), stops.
    pub rms_stops: f64,
    /// Slope of recovered log2 exposure over the true one: 1 if the recovered response has the right steepness.
    pub steepness: f64,
    /// Stops from the lightest point up to where raw green clips: light that the finished picture shows within its last codes
    /// or not at all.
    pub above_stops: f64,
}

/// One point of a curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CurvePoint {
    /// Level, 8-bit codes.
    pub level: f64,
    /// log2 exposure by the raw files; 0 just clips the raw green channel.
    pub stops: f64,
    /// Its standard uncertainty from the scatter of places, stops; what all places share (black level, matrices) is left out.
    pub standard_uncertainty: f64,
    /// log2 exposure by the recovered response, its mean difference taken out.
    pub recovered: f64,
    /// Places it rests on.
    pub places: usize,
}
