//! A frame with its exposure, and a bracket of frames.
use crate::error::printable;
use crate::finding::Finding;
use crate::model::colour::stated_colour;
use crate::model::{Compression, Format, Header, Picture};
use crate::raster::{Pixels, Region, Transform};
use crate::units::{Estimate, ExposureSettings, Primaries};
use serde::{Deserialize, Serialize};
use std::path::PathBuf;

/// Where the exposure used for a frame comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ExposureSource {
    /// The metadata of the file.
    Metadata,
    /// Stated by the user.
    User,
    /// Exposure ratios measured from pixels; the total span is still that of the metadata.
    Measured,
    /// Fitted to the known densities of a wedge.
    Wedge,
    /// Estimated from pixels decoded as sRGB. No exposure is known, so the span of the bracket is not either.
    Guessed,
}

/// Exposure of a frame, log2 of `t * S / N^2` in stops: larger means more light recorded. Only differences within a
/// bracket are meaningful.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Exposure {
    /// As the metadata or the user states it. The standard uncertainty is the tolerance of the marking.
    pub stated: Estimate,
    /// As the merge uses it.
    pub used: Estimate,
    /// Where `used` comes from.
    pub source: ExposureSource,
}

/// The balance of a frame whose colour balance is that of the bracket: 0 stops, without uncertainty.
pub const UNCHANGED: [Estimate; 3] = [Estimate {
    value: 0.0,
    standard_uncertainty: 0.0,
}; 3];

/// One captured picture with its exposure settings.
#[derive(Debug, Clone)]
pub struct Frame {
    /// The decoded file.
    pub picture: Picture,
    /// Time, aperture and speed in use, after the tags were checked.
    pub settings: ExposureSettings,
    /// Exposure as stated and as used.
    pub exposure: Exposure,
    /// ExposureBiasValue, EV; `None` if missing or not believable.
    pub bias: Option<f64>,
    /// Deviation of the frame's colour balance: exposure of red, green and blue beyond the frame's own, log2 in
    /// stops, relative to green and to most frames of the bracket. [`UNCHANGED`] until measured, and where the
    /// balance did not drift.
    pub balance: [Estimate; 3],
    /// Maps reference-frame pixels to pixels of this frame once it is registered; `None` for the identity.
    pub transform: Option<Transform>,
    /// The part of the frame's own pixels that shows the scene, without constant borders; `None` if all of it does.
    pub covered: Option<Region>,
}

impl Frame {
    /// A frame of pixels that come from no file: lossless, without metadata, in place, with `exposure` (log2, stops) stated and used.
    pub fn of_pixels(name: impl Into<PathBuf>, pixels: Pixels, exposure: Estimate) -> Self {
        Frame {
            picture: Picture {
                file: name.into(),
                format: Format::Png,
                pixels,
                raw: None,
                compression: Compression::Lossless,
                header: Header::default(),
                file_bytes: 0,
                sha256: None,
                damaged: false,
            },
            settings: ExposureSettings::default(),
            exposure: Exposure {
                stated: exposure,
                used: exposure,
                source: ExposureSource::Metadata,
            },
            bias: None,
            balance: UNCHANGED,
            transform: None,
            covered: None,
        }
    }

    /// True if the square of `side` pixels at (row, column) of the frame's own pixels shows the scene.
    pub fn covers(&self, row: usize, column: usize, side: usize) -> bool {
        self.covered.is_none_or(|inner| {
            let (rows, columns) = (inner.rows(), inner.columns());
            row >= rows.start
                && column >= columns.start
                && row + side <= rows.end
                && column + side <= columns.end
        })
    }

    /// The file's name without its folder.
    pub fn name(&self) -> String {
        crate::model::file_name(&self.picture.file)
    }
}

/// File name without its folder, safe to print; characters that are not Unicode are replaced.
pub fn file_name(path: &std::path::Path) -> String {
    path.file_name().map_or_else(
        || printable::path(path),
        |n| printable::text(&n.to_string_lossy()).into_owned(),
    )
}

/// A finished picture of the same scene: the camera's own HDR picture, or a rendering of the map.
#[derive(Debug, Clone)]
pub struct CameraPicture {
    /// The decoded file.
    pub picture: Picture,
    /// Why it was taken for one, in words.
    pub evidence: String,
}

impl CameraPicture {
    /// The file's name without its folder.
    pub fn name(&self) -> String {
        file_name(&self.picture.file)
    }

    /// RGB primaries as the file states them.
    pub fn primaries(&self) -> Primaries {
        stated_colour(&self.picture.header).primaries
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
    pub camera_hdr: Option<CameraPicture>,
    /// Findings so far.
    pub findings: Vec<Finding>,
}

impl Bracket {
    /// A bracket of frames alone: no picture of the camera's own, no findings.
    pub fn new(name: impl Into<String>, frames: Vec<Frame>, reference: usize) -> Self {
        Bracket {
            name: name.into(),
            frames,
            reference,
            camera_hdr: None,
            findings: Vec::new(),
        }
    }

    /// Sensitivity of a frame relative to the reference frame: ratio of the ISO speeds; 1 where either is unknown.
    pub fn gain(&self, index: usize) -> f64 {
        let speed = |i: usize| self.frames[i].settings.speed.map(|s| s.0);
        match (speed(index), speed(self.reference)) {
            (Some(a), Some(b)) if a > 0.0 && b > 0.0 => a / b,
            _ => 1.0,
        }
    }

    /// The reference frame, whose geometry and moment the map has.
    pub fn reference_frame(&self) -> &Frame {
        &self.frames[self.reference]
    }

    /// RGB primaries of the frames, as the reference frame's file states them.
    pub fn primaries(&self) -> Primaries {
        let reference = self.frames.get(self.reference);
        reference.map_or(Primaries::SRGB, |f| {
            stated_colour(&f.picture.header).primaries
        })
    }

    /// Exposure of frame `index` relative to the reference frame, a factor: `2^(used_i - used_reference)`.
    pub fn relative_exposure(&self, index: usize) -> f64 {
        (self.frames[index].exposure.used.value - self.reference_frame().exposure.used.value).exp2()
    }

    /// [`Self::relative_exposure`] of one channel: the frame's colour balance is included.
    pub fn channel_exposure(&self, index: usize, channel: usize) -> f64 {
        let balance = self.frames[index].balance.get(channel);
        self.relative_exposure(index) * balance.map_or(1.0, |b| b.value.exp2())
    }
}
