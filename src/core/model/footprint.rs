//! Memory that a picture takes, known from its header before anything is decoded.

/// Memory of a picture, bytes, at most.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Footprint {
    /// The samples, as they are kept.
    pub samples: u64,
    /// What decoding takes beside them and gives back: the file's bytes, intermediate buffers.
    pub decoding: u64,
}

impl Footprint {
    /// Memory while the picture is decoded, bytes.
    pub fn peak(&self) -> u64 {
        self.samples.saturating_add(self.decoding)
    }
}
