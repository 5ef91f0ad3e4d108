//! Pixels in memory, in reading order: encoded pixels, regions, sampling.
//!
//! Arrays are `ndarray`s of shape (rows, columns, channels), channels being 1 (mono) or 3 (R, G, B), in standard
//! (row-major) layout so that hot loops can use slices.
mod pixels;
mod region;

pub use pixels::Pixels;
pub use region::{Point, Quad, Region};
