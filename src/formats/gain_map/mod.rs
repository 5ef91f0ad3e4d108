//! JPEG files with a gain map (ISO 21496-1): a picture for any display, and the gain that extends its range.
//!
//! In reading order: the metadata and its encoding (`metadata`), the older XMP encoding (`xmp`), the file with both
//! pictures (`container`, after CIPA DC-007 Multi-Picture Format), writing and reading of files.
mod container;
mod metadata;
mod read;
mod write;
mod xmp;

pub use metadata::{ChannelGain, GainMetadata};
pub use read::{BrightFile, read};
pub use write::{BasePicture, OFFSET, encode};
