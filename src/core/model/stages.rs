//! A bracket after each stage: registered, recovered, merged. Each is made from the one before.
use super::{
    Bracket, Clip, Disagreement, ExposureCheck, Motion, Noise, RadianceMap, Registration, Response,
};
use crate::raster::Mosaic;
use std::path::PathBuf;

/// SHA-256 of a file that was decoded.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FileDigest {
    /// The file.
    pub file: PathBuf,
    /// SHA-256 (FIPS 180-4) of the bytes that were decoded.
    pub sha256: [u8; 32],
}

/// Meaning of the pixels of a bracket's frames.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Samples {
    /// Pictures of one or three channels.
    Pictures,
    /// The four planes of a raw mosaic, half the width and height of the frames; they are demosaiced after merging.
    Planes(Mosaic),
}

/// A bracket in register.
#[derive(Debug, Clone)]
pub struct Registered {
    /// The frames with their transforms; frames that could not be registered are excluded.
    pub bracket: Bracket,
    /// Meaning of the pixels of the frames.
    pub samples: Samples,
    /// Registration of the frames; `None` if it was not requested.
    pub registration: Option<Registration>,
    /// Noise according to the raw files, if the frames were demosaiced before registration; otherwise `None`, and the
    /// noise is measured.
    pub stated_noise: Option<Noise>,
    /// All files that were decoded, including frames excluded later.
    pub files: Vec<FileDigest>,
}

/// A bracket ready to be merged: response, noise, motion and exposures are known.
#[derive(Debug, Clone)]
pub struct Recovered {
    /// The frames with their transforms and the exposures to use.
    pub bracket: Bracket,
    /// Meaning of the pixels of the frames.
    pub samples: Samples,
    /// Clip and floor levels, one entry a channel.
    pub clips: Vec<Clip>,
    /// The response.
    pub response: Response,
    /// The noise model.
    pub noise: Noise,
    /// What the frames disagree by beyond it; `None` for linear frames, whose noise model is complete, and until it is known.
    pub disagreement: Option<Disagreement>,
    /// Comparison of stated and measured exposures.
    pub check: ExposureCheck,
    /// Motion between the frames; `None` if there was none, or if it was not looked for.
    pub motion: Option<Motion>,
    /// Registration of the frames; `None` if it was not requested.
    pub registration: Option<Registration>,
    /// All files that were decoded, including frames excluded later.
    pub files: Vec<FileDigest>,
}

/// A bracket and the map merged from it.
#[derive(Debug, Clone)]
pub struct Merged {
    /// The frames as they were merged; demosaiced, if the map was merged from planes.
    pub frames: Recovered,
    /// The radiance map.
    pub map: RadianceMap,
}
