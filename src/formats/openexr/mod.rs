//! OpenEXR, in reading order: header attributes, encoding of blocks (`blocks`), writing block by block, headers (`header`), reading, for which `dwa` looks at what blocks state.
//!
//! Files are written with the PXR24 or the ZIP scheme; PXR24 is the default. It stores differences along a row in
//! byte planes, keeps HALF and UINT channels exactly and FLOAT channels to 16 significant bits (a relative step of
//! 2^-16 to 2^-15, 0.000022 to 0.000044 stop). The lowest bytes of floats are noise and are stored uncompressed; the
//! other planes get a Huffman code made from one row of each block. A map of three 12-megapixel frames (ten channels,
//! 336 MB) takes 107 MB this way, in less time than general compressors with a fixed code need for 159 MB; see the
//! table in `tests/bench/README.md`.
mod attributes;
mod blocks;
mod dwa;
mod header;
mod read;
mod write;

pub use attributes::{Attributes, TONES};
pub(super) use header::header;
pub use header::states_exposure;
pub(super) use read::decode;
pub use read::{Content, Light, read, read_light};
pub use write::{Layout, write};

use half::f16;
use serde::Serialize;

/// Sample type of a channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// 32-bit unsigned integer.
    Uint,
    /// 16-bit float: 11 significant bits, largest value 65504, smallest 2^-24.
    Half,
    /// 32-bit float; files written here keep 16 significant bits of it under PXR24.
    Float,
}

impl Kind {
    /// Bytes of a sample in memory.
    fn bytes(self) -> usize {
        match self {
            Kind::Half => 2,
            Kind::Uint | Kind::Float => 4,
        }
    }
}

/// Compression scheme of the blocks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Scheme {
    /// Differences along a row in byte planes; FLOAT channels keep 16 significant bits.
    #[default]
    Pxr24,
    /// Byte differences, even and odd bytes separate; lossless for all channels. The scheme with the widest support.
    Zip,
}

impl Scheme {
    /// Value of the `compression` attribute.
    fn number(self) -> u8 {
        match self {
            Scheme::Zip => 3,
            Scheme::Pxr24 => 5,
        }
    }
}

/// A named channel; "sigma.R" is channel R of layer "sigma".
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Channel {
    /// Name, 1 to 255 bytes, unique in the file.
    pub name: String,
    /// Sample type.
    pub kind: Kind,
}

impl Channel {
    /// A channel with this name and sample type.
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

    /// True if there are no samples.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}
