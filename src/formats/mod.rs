//! Bytes <-> pixels and metadata, one file per format, recognised by content, with limits on what a file may claim.
mod picture;

pub use picture::{Compression, Format, Header, Limits, Picture, Rational};
