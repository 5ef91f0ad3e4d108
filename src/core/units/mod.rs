//! Quantities as types, in reading order: camera settings and the exposure they give; stops and densities; values with a
//! standard uncertainty; the sRGB transfer function; RGB spaces by their primaries.
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
