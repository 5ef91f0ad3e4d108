//! TIFF, in reading order: size and metadata (6.0 and BigTIFF), samples, JPEG data within, and writing (16-bit).
mod coded;
mod decode;
mod read;
mod write;

pub(super) use decode::decode;
pub(super) use read::header;
pub use write::encode16;
