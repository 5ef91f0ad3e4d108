//! PNG (Third Edition), in reading order: reading, and writing in stripes.
mod read;
mod write;

pub(super) use read::{decode, header};
pub use write::{Extras, Mastering, encode8, encode8_with, encode16, write16};
