//! Pixels in memory and what is computed on them.
//!
//! In reading order: encoded pixels, colour filter mosaics and their demosaicing, points and regions, pyramids,
//! transforms, interpolation, and loops compiled for the vectors of the machine.
//!
//! Arrays are `ndarray`s of shape (rows, columns, channels) in standard (row-major) layout, so that hot loops can use
//! slices. There are 1 (mono) or 3 (R, G, B) channels, or the 4 planes of a mosaic.
pub mod demosaic;
mod mosaic;
mod pixels;
mod pyramid;
mod region;
mod sample;
mod simd;
mod transform;

pub use mosaic::{Mosaic, PLANES};
pub use pixels::Pixels;
pub use pyramid::{expand, expand_into, reduce};
pub use region::{Point, Quad, Region};
pub use sample::{Interpolation, Sampled, Taps, sample};
pub use simd::{Work, dispatch_simd, to_i32_fast};
pub use transform::Transform;
