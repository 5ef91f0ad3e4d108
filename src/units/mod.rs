//! Quantities as types, in reading order: levels and exposures, camera settings, stops and densities, estimates; the
//! transfer function of sRGB.
mod camera;
mod estimate;
mod light;
mod srgb;

pub use camera::{ExposureTime, FNumber, IsoSpeed, Settings};
pub use estimate::Estimate;
pub use light::{Density, Level, Stops};
pub use srgb::{srgb_exposure, srgb_level};
