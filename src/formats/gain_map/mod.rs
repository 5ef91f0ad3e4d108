//! JPEG files that carry a gain map (ISO 21496-1): a picture for any display, and what turns it into one of more range.
//!
//! In reading order: what the map means (`metadata`), its bytes by the standard and by the older XMP form, the file that
//! holds both pictures (`container`, after CIPA DC-007 Multi-Picture Format), writing and reading whole files.
mod container;
mod metadata;
mod read;
mod write;
mod xmp;

pub use metadata::{ChannelGain, GainMetadata};
pub use read::{BrightFile, read};
pub use write::{BasePicture, OFFSET, encode};
