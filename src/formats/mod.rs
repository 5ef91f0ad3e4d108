//! Bytes <-> pixels and metadata, recognised by content, with limits on what a file may claim. In reading order: what a
//! picture is, reading any of the formats, the formats one by one; what pictures carry over, deflate, colour profiles, previews;
//! writing whole or not at all.
mod ahead;
mod picture;
mod raw;

mod fault;
mod metadata;
mod orientation;
mod read;
mod sniff;

mod dng;
pub mod gain_map;
pub mod jpeg;
pub mod openexr;
pub mod png;
pub mod rgbe;
pub mod tiff;

mod carried;
mod deflate;
mod icc;
mod preview;

pub mod staged;
mod temporary;

pub use carried::Carried;
pub use icc::{display_p3_profile, profile_primaries, srgb_profile};
pub use picture::{Compression, Format, Header, Limits, Picture, Rational};
pub use preview::{png_bytes, preview_jpeg};
pub use raw::{CameraColour, ColourCalibration, Raw};
pub use read::{read_format, read_header, read_picture, sha256_of};
pub use sniff::{UNKNOWN_FAMILY, raw_family, sniff, sniff_file};
