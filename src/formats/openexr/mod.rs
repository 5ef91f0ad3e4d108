//! OpenEXR, in reading order: what a file holds, its header, the coding of blocks, writing block by block, reading.
//!
//! Files are written with the PXR24 or the ZIP scheme of the format, PXR24 being the usual one here: HALF and UINT channels are kept exactly, FLOAT channels to 16
//! significant bits (a relative step of 2^-16 to 2^-15, 0.000022 to 0.000044 stop), as differences along a row, byte
//! plane by byte plane. The deflate stream inside is the `fdeflate` crate's, whose code is fixed: noise hardly ever
//! repeats, so a search for repeats costs much and finds little.
//!
//! Measured on the map of three 12-megapixel frames (ten channels), one x86-64 core, 2026-11-25, machine shared, CPU time of the
//! deflate step alone and size of all blocks: fdeflate 0.41 s, 159 MB; miniz_oxide level 1 1.20 s, 136 MB; zlib-rs
//! level 1 1.11 s, 153 MB, its Huffman codes alone 1.67 s, 130 MB. The differences before it cost 0.1 to 0.2 s; the
//! samples without any scheme are 336 MB. Fewer bits of radiance make the file hardly smaller with the fixed code (13
//! bits: 158 MB), so 16 are kept.
mod attributes;
mod blocks;
mod read;
mod write;

pub use attributes::Attributes;
pub use read::{Content, read, states_exposure};
pub(super) use read::{decode, header};
pub use write::{Layout, write};

use half::f16;

/// Sample type of a channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// 32-bit unsigned integer.
    Uint,
    /// 16-bit float: 11 significant bits, up to 65504, down to 2^-24.
    Half,
    /// 32-bit float, of which files written here keep 16 significant bits.
    Float,
}

impl Kind {
    /// Bytes a sample in memory.
    fn bytes(self) -> usize {
        match self {
            Kind::Half => 2,
            Kind::Uint | Kind::Float => 4,
        }
    }
}

/// How blocks are compressed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Scheme {
    /// Differences along a row in byte planes; FLOAT channels keep 16 significant bits.
    #[default]
    Pxr24,
    /// Differences of bytes, even and odd ones apart; every channel is kept exactly. The scheme read most widely.
    Zip,
}

impl Scheme {
    /// Number in the `compression` attribute.
    fn number(self) -> u8 {
        match self {
            Scheme::Zip => 3,
            Scheme::Pxr24 => 5,
        }
    }
}

/// A channel by name; "sigma.R" is channel R of layer "sigma".
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Channel {
    /// Name, 1 to 255 bytes, not twice in one file.
    pub name: String,
    /// Sample type.
    pub kind: Kind,
}

impl Channel {
    /// A channel.
    pub fn new(name: impl Into<String>, kind: Kind) -> Self {
        Channel {
            name: name.into(),
            kind,
        }
    }
}

/// Samples of some rows of one channel, row by row.
#[derive(Debug, Clone, PartialEq)]
pub enum ChannelRows {
    /// Unsigned integers.
    Uint(Vec<u32>),
    /// 16-bit floats.
    Half(Vec<f16>),
    /// 32-bit floats.
    Float(Vec<f32>),
}

impl ChannelRows {
    /// The sample type.
    pub fn kind(&self) -> Kind {
        match self {
            ChannelRows::Uint(_) => Kind::Uint,
            ChannelRows::Half(_) => Kind::Half,
            ChannelRows::Float(_) => Kind::Float,
        }
    }

    /// Number of samples.
    pub fn len(&self) -> usize {
        match self {
            ChannelRows::Uint(v) => v.len(),
            ChannelRows::Half(v) => v.len(),
            ChannelRows::Float(v) => v.len(),
        }
    }

    /// True without samples.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}
