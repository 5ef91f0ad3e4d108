//! JPEG (ITU-T T.81), in reading order: the markers before the picture, decoding, encoding.
mod decode;
mod encode;
mod markers;

pub(super) use decode::decode;
pub use encode::{Subsampling, encode};
pub(super) use markers::{header, stream};
