//! Pixels in memory, in reading order: encoded pixels, mosaics, regions, pyramids, transforms, sampling, and loops
//! over them compiled for the machine at hand.
//!
//! Arrays are `ndarray`s of shape (rows, columns, channels), channels being 1 (mono) or 3 (R, G, B)
//! (4 for the planes of a mosaic), in standard
//! (row-major) layout so that hot loops can use slices.
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
pub use pyramid::{expand, reduce};
pub use region::{Point, Quad, Region};
pub use sample::{Interpolation, Sampled, Taps, sample};
pub use simd::{Work, dispatch_simd, to_i32_fast};
pub use transform::Transform;
