//! Finished pictures without a bracket: plain data, as serialised in the report.
use super::{LevelsAndRange, OutputFile, PictureKind, PictureMeasurement, WedgePlace};
use crate::finding::Finding;
use crate::units::ExposureSettings;
use serde::{Deserialize, Serialize};

/// The pictures of one camera that belong to no bracket: single shots, HDR pictures of the camera's own, stills, screenshots.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct WithoutBracket {
    /// Name, unique within the run; also the name of the output folder.
    pub name: String,
    /// The answer in one sentence with numbers.
    pub headline: String,
    /// SHA-256 (FIPS 180-4), in hexadecimal, over the SHA-256 sums of the files, in order.
    pub inputs_sha256: Option<String>,
    /// Camera name from the metadata; `None` where the files have none. Every such picture then stands alone.
    pub camera: Option<String>,
    /// The pictures, at least one, in the order of the input. Each shows a wedge.
    pub pictures: Vec<LonePicture>,
    /// Files written for this camera.
    pub outputs: Vec<OutputFile>,
}

impl WithoutBracket {
    /// The single shot that resolves most steps by `noise`; among equals the first. `None` without a single shot.
    pub fn best_single(&self) -> Option<&LonePicture> {
        self.best(PictureKind::Frame)
    }

    /// The HDR picture of the camera's own that resolves most steps by `noise`; among equals the first. `None` without one.
    pub fn best_camera_hdr(&self) -> Option<&LonePicture> {
        self.best(PictureKind::CameraHdr)
    }

    fn best(&self, kind: PictureKind) -> Option<&LonePicture> {
        let of_kind = self.pictures.iter().filter(|p| p.measured.kind == kind);
        let steps = |p: &LonePicture| p.measured.levels.map_or(0, |l| l.noise);
        of_kind.reduce(|best, next| {
            if steps(next) > steps(best) {
                next
            } else {
                best
            }
        })
    }
}

/// A finished picture of the wedge that belongs to no bracket.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LonePicture {
    /// Path as given.
    pub path: String,
    /// Columns after rotation to upright, pixels.
    pub columns: usize,
    /// Rows after rotation to upright, pixels.
    pub rows: usize,
    /// Bits per sample: 8, 16 or 32 (float).
    pub bits: u32,
    /// Exposure time (s), f-number, ISO speed; each `null` where unknown.
    pub settings: ExposureSettings,
    /// Exposure bias, EV, where stated.
    pub bias: Option<f64>,
    /// Moment of capture as the file states it.
    pub captured: Option<String>,
    /// How levels were taken back to linear light. Every figure in linear light depends on it.
    pub light: LinearLight,
    /// Location of the wedge in this picture.
    pub wedge: WedgePlace,
    /// Steps, patches and, unless the light was assumed, usable range.
    pub measured: PictureMeasurement,
    /// Steps with more than 1 % of their pixels at the clip level, 1 = lightest.
    pub clipped_steps: Vec<usize>,
    /// Steps with at least half of their pixels at the black floor.
    pub crushed_steps: Vec<usize>,
    /// Colour of every step, lightest first; empty for a picture of one channel.
    pub tint: Vec<Tint>,
    /// Doubts about the wedge, the light and the file; those about the figures are in `measured`.
    pub findings: Vec<Finding>,
}

impl LonePicture {
    /// Levels and range of the picture.
    pub fn figures(&self) -> LevelsAndRange {
        LevelsAndRange::of(&self.measured)
    }
}

/// How the levels of a finished picture were taken back to linear light.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum LinearLight {
    /// By the response recovered from a bracket of the same camera and settings in this run.
    Bracket {
        /// Name of the bracket.
        bracket: String,
    },
    /// By a response that an earlier run saved.
    Saved {
        /// File name.
        file: String,
    },
    /// By the curve measured on the wedge itself against its known densities (OECF in the sense of ISO 14524).
    Wedge {
        /// Steps behind the curve: neither clipped nor crushed.
        steps: usize,
        /// Standard uncertainty of one density, root mean square over the steps, density.
        density_uncertainty: f64,
        /// True if that uncertainty was not stated but assumed.
        uncertainty_assumed: bool,
    },
    /// Levels are proportional to light: raw samples, or as the user states.
    Linear,
    /// Assumed: the transfer function of IEC 61966-2-1 (sRGB). No figure in stops is given.
    Srgb,
}

impl LinearLight {
    /// True unless the transfer function was only assumed; figures in stops are given then.
    pub fn gives_stops(&self) -> bool {
        !matches!(self, LinearLight::Srgb)
    }
}

/// Colour of one step: CIE 1976 L*a*b* (ISO/CIE 11664-4) of its mean code on an sRGB display (IEC 61966-2-1), white being full
/// scale. A neutral step has a* and b* of 0.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Tint {
    /// Step number, 1 = lightest.
    pub step: usize,
    /// L*, 0..=100.
    pub lightness: f64,
    /// a*: positive towards red, negative towards green.
    pub a: f64,
    /// b*: positive towards yellow, negative towards blue.
    pub b: f64,
}
