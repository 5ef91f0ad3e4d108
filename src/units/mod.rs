//! Quantities as types, in reading order: levels and exposures, camera settings, stops and densities, estimates.
mod camera;
mod estimate;
mod light;

pub use camera::{ExposureTime, FNumber, IsoSpeed, Settings};
pub use estimate::Estimate;
pub use light::{Density, Level, Stops};
