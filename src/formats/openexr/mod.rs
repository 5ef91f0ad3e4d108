//! OpenEXR, in reading order: what a file holds, its header, the coding of blocks (`blocks`, and `planes` for the deflate stream of noise in it), writing block by block, reading.
//!
//! Files are written with the PXR24 or the ZIP scheme of the format, PXR24 being the usual one here: HALF and UINT channels are kept exactly, FLOAT channels to 16
//! significant bits (a relative step of 2^-16 to 2^-15, 0.000022 to 0.000044 stop), as differences along a row, byte
//! plane by byte plane. The lowest bytes of floats are noise and lie in the deflate stream as they are; the other planes get a
//! Huffman code made from one row of each block. On the map of three 12-megapixel frames (ten channels, 336 MB) that gives
//! 107 MB in less time than general compressors with a fixed code take for 159 MB; `tests/bench/README.md` has the table.
mod attributes;
mod blocks;
mod read;
mod write;

pub use attributes::Attributes;
pub use read::{Content, Light, read, read_light, states_exposure};
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
