//! Camera settings: exposure time, f-number, speed, and the relative exposure they give.
use super::Stops;
use serde::{Deserialize, Serialize};

/// Exposure time in seconds, finite and positive.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
pub struct ExposureTime(pub f64);

/// F-number N (focal length over entrance pupil), finite and positive.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
pub struct FNumber(pub f64);

/// Sensitivity as an ISO 12232 speed (arithmetic), finite and positive.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
pub struct IsoSpeed(pub f64);

/// The settings that determine how much light a frame records. A missing f-number or speed is unknown but constant
/// over a bracket. Without a time the exposure is not known.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct ExposureSettings {
    /// Exposure time.
    pub time: Option<ExposureTime>,
    /// F-number.
    pub aperture: Option<FNumber>,
    /// Sensitivity.
    pub speed: Option<IsoSpeed>,
}

impl ExposureSettings {
    /// log2 of `t * S / N^2`, stops: exposure is proportional to t/N^2, gain to S. An unknown f-number counts as f/1
    /// and an unknown speed as ISO 100, so only differences within one camera are meaningful. `None` without a time.
    pub fn exposure(&self) -> Option<Stops> {
        let time = self.time?.0;
        let aperture = self.aperture.map_or(1.0, |n| n.0);
        let speed = self.speed.map_or(100.0, |s| s.0);
        Some(Stops((time * speed / 100.0 / (aperture * aperture)).log2()))
    }

    /// APEX exposure value `log2(N^2 / t)` (a camera setting: larger means less light). `None` if either is unknown.
    pub fn exposure_value(&self) -> Option<f64> {
        let (time, aperture) = (self.time?.0, self.aperture?.0);
        Some((aperture * aperture / time).log2())
    }
}
