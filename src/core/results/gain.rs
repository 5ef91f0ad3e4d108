//! What a bracket gains over its best single frame.
use serde::{Deserialize, Serialize};

/// Gain of the merge over the best single frame at one SNR.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BracketGain {
    /// The SNR of one pixel.
    pub snr: f64,
    /// File name of the single frame with the longest range at that SNR.
    pub best_frame: String,
    /// Its range, stops.
    pub frame_stops: f64,
    /// Stops between the least and the most exposure of the bracket: the part of the gain that is exposure alone.
    pub spread_stops: f64,
    /// Predicted gain, stops: the merged range of frames that all have the noise of the best one (inverse-variance
    /// weights, `L sqrt(sum t^2 / v(L t)) = SNR`) less the range of that frame. What exceeds the spread comes from
    /// averaging in the dark. `None` where that noise is not known.
    pub predicted_stops: Option<f64>,
    /// Measured gain, stops: range of the merge less that of the frame. `None` without a wedge, or where a range ended with
    /// it.
    pub measured_stops: Option<f64>,
}
