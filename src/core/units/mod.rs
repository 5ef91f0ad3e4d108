//! Quantities as types.
//!
//! In reading order: camera settings and the exposure they give; values with a standard uncertainty; stops and
//! densities; RGB colour spaces by their primaries; the sRGB transfer function.
mod camera;
mod estimate;
mod light;
mod primaries;
mod srgb;

pub use camera::{ExposureSettings, ExposureTime, FNumber, IsoSpeed};
pub use estimate::Estimate;
pub use light::{Density, Stops};
pub use primaries::{D50, Matrix, Primaries, adaptation, apply, inverse, product};
pub use srgb::{srgb_exposure, srgb_level};
