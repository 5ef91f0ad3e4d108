//! A frame with its exposure, and a bracket of frames.
use crate::finding::Finding;
use crate::model::Picture;
use crate::model::colour::stated;
use crate::raster::Transform;
use crate::units::{Estimate, ExposureSettings, Primaries};
use serde::{Deserialize, Serialize};

/// Where the exposure used for a frame comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ExposureSource {
    /// The metadata of the file.
    Metadata,
    /// The user said it.
    User,
    /// Measured from pixels (the total span still from metadata).
    Measured,
    /// Known densities of a wedge.
    Wedge,
    /// Pixels alone, read as sRGB: no exposure is known, and the span is open.
    Guessed,
}

/// Exposure of a frame as log2 of relative exposure `t * S / N^2`, in stops (larger is more light recorded).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Exposure {
    /// As stated by metadata or user: log2(t S / N^2) in stops with its standard uncertainty (marking tolerance).
    pub stated: Estimate,
    /// As used by the merge, same unit.
    pub used: Estimate,
    /// Where `used` comes from.
    pub source: ExposureSource,
}

/// The balance of a frame whose channels received what was stated.
pub const UNCHANGED: [Estimate; 3] = [Estimate {
    value: 0.0,
    standard_uncertainty: 0.0,
}; 3];

/// One captured picture with its exposure settings.
#[derive(Debug, Clone)]
pub struct Frame {
    /// The decoded file.
    pub picture: Picture,
    /// Time, aperture, speed after judging the tags.
    pub settings: ExposureSettings,
    /// Relative exposure.
    pub exposure: Exposure,
    /// ExposureBiasValue in EV where good.
    pub bias: Option<f64>,
    /// What red, green and blue received beyond the frame's exposure, against green and most of the frames: log2, stops,
    /// with standard uncertainties. [`UNCHANGED`] until measured, and where the balance did not drift.
    pub balance: [Estimate; 3],
    /// Maps a pixel of the reference frame to this frame's pixel, once registered; `None` where they are the same.
    pub transform: Option<Transform>,
}

impl Frame {
    /// The file's name without its folder.
    pub fn name(&self) -> String {
        crate::model::file_name(&self.picture.file)
    }
}

/// File name without folder, lossy for names that are not Unicode.
pub fn file_name(path: &std::path::Path) -> String {
    path.file_name().map_or_else(
        || path.display().to_string(),
        |n| n.to_string_lossy().into_owned(),
    )
}

/// A finished picture of the same scene: the camera's own HDR, or a rendering of ours.
#[derive(Debug, Clone)]
pub struct Finished {
    /// The decoded file.
    pub picture: Picture,
    /// How it was recognised.
    pub evidence: String,
}

impl Finished {
    /// The file's name without its folder.
    pub fn name(&self) -> String {
        file_name(&self.picture.file)
    }

    /// What its red, green and blue are, as its file states it.
    pub fn primaries(&self) -> Primaries {
        stated(&self.picture.header).primaries
    }
}

/// Frames of one scene at different exposures, sorted from least to most exposure, all of one size and sample type.
#[derive(Debug, Clone)]
pub struct Bracket {
    /// A name for folders and reports, unique within a run.
    pub name: String,
    /// At least two frames, least exposure first.
    pub frames: Vec<Frame>,
    /// Index of the reference frame (geometry and moment of the map).
    pub reference: usize,
    /// The camera's own HDR picture of the scene, if there is one.
    pub camera_hdr: Option<Finished>,
    /// Doubts so far.
    pub findings: Vec<Finding>,
}

impl Bracket {
    /// The frame that gives the map its geometry and its moment.
    pub fn reference_frame(&self) -> &Frame {
        &self.frames[self.reference]
    }

    /// What red, green and blue of the frames are, as the reference frame's file states it.
    pub fn primaries(&self) -> Primaries {
        let reference = self.frames.get(self.reference);
        reference.map_or(Primaries::SRGB, |f| stated(&f.picture.header).primaries)
    }

    /// Exposure of frame `index` relative to the reference, as a factor of light: `2^(used_i - used_reference)`.
    pub fn relative_exposure(&self, index: usize) -> f64 {
        (self.frames[index].exposure.used.value - self.reference_frame().exposure.used.value).exp2()
    }

    /// The same for one channel, with the frame's balance.
    pub fn channel_exposure(&self, index: usize, channel: usize) -> f64 {
        let balance = self.frames[index].balance.get(channel);
        self.relative_exposure(index) * balance.map_or(1.0, |b| b.value.exp2())
    }
}
