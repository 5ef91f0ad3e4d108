//! Picture files: bytes <-> pixels and metadata, recognised by content, with limits on what a file may claim.
//!
//! In reading order: decoder errors and the fence around decoders, memory, EXIF and orientation; recognition and reading of any format (`read`, `sniff`);
//! one module for each format; what pictures written have in common (EXIF fields, deflate and Huffman coding, ICC
//! profiles, previews, thumbnails); radiance maps as files; writing under a temporary name.
#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]
mod fault;
mod fence;
pub mod memory;
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
mod huffman;
mod icc;
mod preview;
mod thumbnail;

pub mod map_file;
mod map_to_show;
mod read_map;

mod background_sync;
pub mod staged;
mod temporary;

pub use carried::Carried;
pub use fence::is_decoding;
pub use icc::{display_p3_profile, srgb_profile};
pub use preview::preview_jpeg;
pub use read::{read_format, read_header, read_picture, sha256_of};
pub use read_map::{Opened, holds_radiance, open, open_to_show};
pub use sniff::{OtherKind, UNKNOWN_FAMILY, other_kind, raw_family, sniff, sniff_file};
pub use thumbnail::thumbnail;
