//! What a bracket is after each stage: registered, recovered, merged. Each is made of the one before it and then stays as it is.
use super::{Bracket, Clip, ExposureCheck, Motion, Noise, RadianceMap, Registration, Response};
use crate::raster::Mosaic;
use std::path::PathBuf;

/// A file that was decoded.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FileDigest {
    /// The file.
    pub file: PathBuf,
    /// SHA-256 (FIPS 180-4) of the bytes that were decoded.
    pub sha256: [u8; 32],
}

/// What the pixels of a bracket's frames are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Samples {
    /// Pictures of one or three channels.
    Pictures,
    /// The four planes of a raw mosaic, half as wide and high as the frames. The merge demosaics its sums.
    Planes(Mosaic),
}

/// A bracket whose frames lie in register.
#[derive(Debug, Clone)]
pub struct Registered {
    /// The frames, with their transforms; frames that could not be registered are left out.
    pub bracket: Bracket,
    /// What the pixels of the frames are.
    pub samples: Samples,
    /// How the frames lie against the reference; `None` where registration was not asked for.
    pub registration: Option<Registration>,
    /// The noise that the raw files state, where the frames were demosaiced before registration; `None` elsewhere: it is measured.
    pub stated_noise: Option<Noise>,
    /// Every file that was decoded, frames that were left out afterwards among them.
    pub files: Vec<FileDigest>,
}

/// A bracket ready to be merged: response, noise and motion known, exposures settled.
#[derive(Debug, Clone)]
pub struct Recovered {
    /// The frames, with the exposures to use and their transforms.
    pub bracket: Bracket,
    /// What the pixels of the frames are.
    pub samples: Samples,
    /// Clip and floor levels, one a channel.
    pub clips: Vec<Clip>,
    /// The response.
    pub response: Response,
    /// The noise model.
    pub noise: Noise,
    /// Stated against measured exposures.
    pub check: ExposureCheck,
    /// What moved between the frames; `None` where nothing did, or where it was not looked for.
    pub motion: Option<Motion>,
    /// How the frames lie against the reference; `None` where registration was not asked for.
    pub registration: Option<Registration>,
    /// Every file that was decoded, frames that were left out afterwards among them.
    pub files: Vec<FileDigest>,
}

/// A bracket and the map that was merged from it.
#[derive(Debug, Clone)]
pub struct Merged {
    /// The frames, one by one: as they were merged, or demosaiced where the map was merged from planes.
    pub frames: Recovered,
    /// The radiance map.
    pub map: RadianceMap,
}
