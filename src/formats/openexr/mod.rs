//! OpenEXR, in reading order: what a file holds, its header, the coding of blocks, writing block by block, reading.
//!
//! Files are written with the PXR24 scheme of the format: HALF and UINT channels are kept exactly, FLOAT channels to 16
//! significant bits (a relative step of 2^-16 to 2^-15, 0.000022 to 0.000044 stop), as differences along a row, byte
//! plane by byte plane. For noisy radiance it is smaller than ZIP and, with the deflate writer of this program, faster
//! than every other scheme of the format that is smaller than the samples themselves.
mod attributes;
mod blocks;
mod read;
mod write;

pub use attributes::Attributes;
pub use read::{Content, read};
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
