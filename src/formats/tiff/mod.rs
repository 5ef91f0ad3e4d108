//! TIFF, in reading order: reading (6.0 and BigTIFF), and writing (16-bit).
mod read;
mod write;

pub(super) use read::{decode, header};
pub use write::encode16;
