//! What a bracket gains over its best single frame.
use serde::{Deserialize, Serialize};

/// Gain of the merge over the best single frame at one SNR.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BracketGain {
    /// The SNR of one pixel.
    pub snr: f64,
    /// File name of the single frame that keeps most of the scene; where it has no range at that SNR, of the one with the longest.
    pub best_frame: String,
    /// Range of that frame, stops.
    pub frame_stops: f64,
    /// Exposure span of the bracket, stops: the part of the gain that comes from exposure alone.
    pub spread_stops: f64,
    /// Predicted gain, stops: merged range of frames that all have the noise of the best one (inverse-variance weights,
    /// `L sqrt(sum t^2 / v(L t)) = SNR`) minus the range of that frame. Averaging in the dark makes it exceed
    /// `spread_stops`.
    /// `None` where the noise is unknown.
    pub predicted_stops: Option<f64>,
    /// Measured gain, stops: range of the merge minus that of the frame. `None` without a wedge, or where the wedge ends
    /// before either range does.
    pub measured_stops: Option<f64>,
}
