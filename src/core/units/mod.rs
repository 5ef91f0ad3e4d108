//! Quantities as types, in reading order: levels and exposures, camera settings, stops and densities, estimates; the
//! transfer function of sRGB; RGB spaces by their primaries.
mod camera;
mod estimate;
mod light;
mod primaries;
mod srgb;

pub use camera::{ExposureTime, FNumber, IsoSpeed, Settings};
pub use estimate::Estimate;
pub use light::{Density, Level, Stops};
pub use primaries::{D50, Matrix, Primaries, adaptation, apply, inverse, product};
pub use srgb::{srgb_exposure, srgb_level};
