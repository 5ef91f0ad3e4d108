//! Bytes <-> pixels and metadata, recognised by content, with limits on what a file may claim. In reading order: what a
//! picture is, reading any of the formats, the formats one by one; what pictures carry over, deflate, colour profiles, previews;
//! writing whole or not at all.
#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]
mod ahead;

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

pub mod map_file;
mod read_map;

pub mod staged;
mod temporary;

pub use carried::Carried;
pub use icc::{display_p3_profile, srgb_profile};
pub use preview::{png_bytes, preview_jpeg};
pub use read::{read_format, read_header, read_picture, sha256_of};
pub use read_map::{Opened, open, open_light};
pub use sniff::{UNKNOWN_FAMILY, raw_family, sniff, sniff_file};
