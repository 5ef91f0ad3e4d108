//! Sensor and scene simulator with known truth: makes the samples, serves tests and what-if questions.
//!
//! In reading order: [`random`] (draws that are the same everywhere), [`response`] and [`sensor`] (the camera as
//! numbers), [`optics`] (light on the sensor), [`capture`](capture()) (one exposure), [`finish`] (in-camera processing).
mod capture;
pub mod finish;
pub mod optics;
pub mod random;
pub mod response;
pub mod scene;
mod sensor;

pub use capture::{Shot, capture, capture_light};
pub use response::Response;
pub use sensor::{Sensor, Sharpening};
