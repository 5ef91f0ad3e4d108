//! Measurement of one picture of the wedge: plain data, as serialised in the report.
use super::{BestFrame, BracketGain, Calibration, Measurement, Scene, WedgePlace};
use crate::finding::Finding;
use crate::model::NoiseModel;
use crate::raster::Quad;
use crate::raster::Transform;
use serde::{Deserialize, Serialize};

/// Kind of a measured picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PictureKind {
    /// One frame of the bracket.
    Frame,
    /// The camera's own finished HDR picture.
    CameraHdr,
    /// The radiance map.
    Merge,
    /// A tone-mapped rendering of the map.
    Rendered,
}

/// Statistics of the interior of one patch. "Code" fields are encoded levels in 8-bit codes (0..=255, whatever the file's
/// depth); "linear" fields are relative scene radiance of the green channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Patch {
    /// Step number, 1 = lightest.
    pub step: usize,
    /// Nominal density if known.
    pub density: Option<f64>,
    /// Corners of the measured interior in this picture's pixels.
    pub corners: Quad,
    /// Width and height of the whole patch in this picture, pixels (the shorter of opposite sides).
    pub size_px: [f64; 2],
    /// Smallest distance of the measured interior from the patch's edge, pixels. It keeps out blur and, from 8 pixels, the
    /// ringing of JPEG blocks.
    pub guard_px: f64,
    /// Number of pixels measured.
    pub pixels: usize,
    /// Equivalent number of independent samples, from the autocorrelation of the noise.
    pub effective_samples: f64,
    /// Mean code of R, G, B (equal for mono), 0..=255; `None` for a radiance map.
    pub code: Option<[f64; 3]>,
    /// Standard deviation of the green code; `None` for a radiance map.
    pub code_deviation: Option<f64>,
    /// Mean relative linear radiance (green).
    pub linear: f64,
    /// Standard deviation of one pixel's linear radiance, after removal of texture and illumination slope.
    pub linear_deviation: f64,
    /// Standard deviation of 8 x 8 block means, times 8: equal to `linear_deviation` for independent pixels. `None` for
    /// fewer than 8 blocks.
    pub block_deviation: Option<f64>,
    /// `linear / linear_deviation`, per pixel.
    pub snr: f64,
    /// Share of pixels at the clip level, 0..=1.
    pub clipped_share: f64,
    /// Share of pixels at the black floor, 0..=1.
    pub crushed_share: f64,
}

/// Reason why two neighbouring steps are not resolved.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum JoinReason {
    /// One of them has more than 1 % of its pixels at the clip level.
    Clipped,
    /// One of them is at the black floor.
    Crushed,
    /// Their difference is below the noise.
    Noise,
    /// The darker step is lighter in the picture.
    Order,
}

/// Steps `a` and `b = a + 1` are not resolved: (a, b, reason). Serialised as a three-element array.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Joined(pub usize, pub usize, pub JoinReason);

/// An unresolved pair of neighbouring steps, with the deciding number and its limit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct JoinedBecause {
    /// Number of the lighter step; the other one is the next.
    pub step: usize,
    /// Reason.
    pub reason: JoinReason,
    /// Quantity of `number`.
    pub quantity: DecidingQuantity,
    /// The deciding number.
    pub number: f64,
    /// Limit: the pair is unresolved if a share is above it, or a separation below it.
    pub limit: f64,
}

/// Quantity that decides whether two steps are resolved.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DecidingQuantity {
    /// The larger of the two patches' shares of clipped pixels.
    ClippedShare,
    /// The larger of the two patches' shares of pixels at the black floor.
    CrushedShare,
    /// Separation of the two patches, signed.
    Separation,
}

/// One pair of neighbouring steps, by every criterion.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Pair {
    /// Number of the lighter step (1 = lightest); the other one is the next.
    pub step: usize,
    /// |m1 - m2| / sqrt((s1^2 + s2^2)/2) per pixel in linear light, signed: negative if the order is reversed.
    pub separation: f64,
    /// Separation with the noise of 8 x 8 pixel means, times 8 and smoothed over the patches by the noise model. Lossy
    /// coding does not hide this noise. `None` if no lossy file is involved, or the patches are too small for such means.
    pub block_separation: Option<f64>,
    /// Difference of mean green codes, 8-bit codes, signed; `None` for a radiance map.
    pub code_difference: Option<f64>,
    /// CIE dL* at the stated white, signed.
    pub lightness_difference: f64,
    /// DICOM PS3.14 just-noticeable-difference index difference at the stated display white, signed.
    pub jnd_difference: f64,
    /// Holm-corrected one-sided p value of the Welch test on patch means with effective samples.
    pub p_value: f64,
    /// Resolved by `noise`.
    pub by_noise: bool,
    /// Resolved by `block`; `None` as for `block_separation`.
    pub by_block: Option<bool>,
    /// Resolved by `code`; `None` where there are no codes.
    pub by_code: Option<bool>,
    /// Resolved by `visual`.
    pub by_visual: bool,
    /// Resolved by the patch-mean test at 1 %.
    pub by_mean: bool,
    /// Reason why the pair is not resolved by `noise`; `None` if it is.
    pub reason: Option<JoinReason>,
    /// The deciding number: for `clipped` and `crushed` the larger share of the two patches, else the separation.
    pub decided_by: f64,
    /// Limit of the deciding number: the pair is unresolved if a share is above it, or a separation below it.
    pub limit: f64,
}

/// Luminance taken as white for lightness and just-noticeable differences.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum VisualWhite {
    /// Full scale of the encoded picture, shown on an sRGB display (IEC 61966-2-1).
    FullScale,
    /// The lightest step; luminance is proportional to radiance.
    LightestStep,
}

/// Resolved levels by each criterion: 1 plus the number of resolved neighbouring pairs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct LevelCounts {
    /// By per-pixel separation >= 1 in linear light: the headline.
    pub noise: usize,
    /// By the same separation with the noise of 8 x 8 pixel means, which lossy coding does not hide: the count of `noise`
    /// if the file had kept its noise. `None` if no lossy file is involved, or the patches are too small for such means.
    pub block: Option<usize>,
    /// By at least one code; `None` for a radiance map.
    pub code: Option<usize>,
    /// By CIE dL* >= 1.
    pub visual: usize,
    /// By the patch-mean significance test.
    pub patch_mean: usize,
    /// Longest run of consecutive steps resolved by `noise`.
    pub longest_run: usize,
    /// Neighbouring pairs whose darker step is significantly lighter in the picture.
    pub reversals: usize,
    /// Steps on the wedge.
    pub steps: usize,
    /// True if every step is resolved by `noise`; the count is then a lower bound.
    pub chart_limited: bool,
}

impl LevelCounts {
    /// Steps resolved with the noise of 8 x 8 pixel means, where those are fewer than by `noise`.
    pub fn fewer_by_block(&self) -> Option<usize> {
        self.block.filter(|block| *block < self.noise)
    }
}

/// What limits the usable range.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Limit {
    /// Sensor and encoding noise at the dark end, clipping at the light end: the normal case.
    Noise,
    /// Black is clipped before the noise reaches the threshold.
    Clipping,
    /// The file ends it: below this 8-bit code its samples tell nothing, for they are rounded or no data support the response there.
    File {
        /// The lowest code that is relied on, 8-bit codes; at least 2.
        code: u16,
    },
    /// The wedge ends first, and the data do not determine the noise beyond it; the figure is the lower bound `seen_stops`.
    Wedge,
    /// Veiling glare sets the floor.
    Glare,
    /// Compression has removed noise at the dark end; the figure describes the file, not the sensor.
    Compression,
}

/// Usable range at one SNR threshold.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct UsableStops {
    /// The SNR per pixel, scene-referred.
    pub snr: f64,
    /// Stops from clipping down to the exposure at which that SNR is reached; `None` if it is never reached.
    pub stops: Option<f64>,
    /// Lower end of the 95 % interval.
    pub low95: Option<f64>,
    /// Upper end of the 95 % interval.
    pub high95: Option<f64>,
    /// What limits it.
    pub limited_by: Limit,
    /// Stops from clipping down to the darkest step measured to reach that SNR: a lower bound without extrapolation. `None`
    /// if no step reaches it, or without a wedge.
    pub seen_stops: Option<f64>,
    /// The range at the SNR of an area instead of one pixel. `None` without a wedge, on which the correlation of the noise
    /// is measured, and for pictures with fewer pixels than the area assumes.
    pub normalised: Option<NormalisedStops>,
}

/// Usable range at the SNR of an area: the pixels averaged into one when the picture is scaled to 1 000 000 pixels.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NormalisedStops {
    /// Pixels in the area, >= 1.
    pub pixels: f64,
    /// Variance of the area's mean over its value for independent pixels, >= 1; from 8 x 8 pixel means near the dark end.
    pub correlation: f64,
    /// Stops from clipping down to the exposure at which the area reaches the SNR; `None` if it is never reached.
    pub stops: Option<f64>,
    /// Lower end of the 95 % interval.
    pub low95: Option<f64>,
    /// Upper end of the 95 % interval.
    pub high95: Option<f64>,
    /// What limits it.
    pub limited_by: Limit,
}

/// Everything measured on one picture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PictureMeasurement {
    /// Kind of picture.
    pub kind: PictureKind,
    /// File name.
    pub file: String,
    /// Resolved levels; `None` without a wedge.
    pub levels: Option<LevelCounts>,
    /// Neighbouring steps not resolved by `noise`.
    pub joined: Vec<Joined>,
    /// The pairs of `joined`, each with its deciding number.
    pub joined_because: Vec<JoinedBecause>,
    /// Usable range at SNR 1, 3, 10 and 40.
    pub usable_stops: Vec<UsableStops>,
    /// Patches, lightest first.
    pub patches: Vec<Patch>,
    /// Neighbouring pairs, lightest first.
    pub pairs: Vec<Pair>,
    /// White of the `visual` criterion.
    pub visual_white: VisualWhite,
    /// Luminance of that white for the just-noticeable differences, cd/m^2, > 0.
    pub display_white: f64,
    /// Noise fitted to the patches, in units of the clip exposure; `None` where it could not be fitted.
    pub noise: Option<NoiseModel>,
    /// Doubts about this picture.
    pub findings: Vec<Finding>,
}

impl PictureMeasurement {
    /// Usable range down to `snr`; `None` where it was not measured at that SNR.
    pub fn at_snr(&self, snr: f64) -> Option<&UsableStops> {
        self.usable_stops.iter().find(|u| u.snr == snr)
    }

    /// A picture without measurements.
    pub fn unmeasured(kind: PictureKind, file: String) -> Self {
        PictureMeasurement {
            kind,
            file,
            levels: None,
            joined: Vec::new(),
            joined_because: Vec::new(),
            usable_stops: Vec::new(),
            patches: Vec::new(),
            pairs: Vec::new(),
            visual_white: VisualWhite::FullScale,
            display_white: 250.0,
            noise: None,
            findings: Vec::new(),
        }
    }
}

/// File name of the rendering that a run writes and measures.
pub const RENDERED_FILE: &str = "picture.jpg";

/// Everything measured on a bracket.
#[derive(Debug, Clone)]
pub struct BracketMeasurement {
    /// The measured wedge; `None` without one.
    pub wedge: Option<WedgePlace>,
    /// Wedge candidate below the confidence limit or of another grid than requested; not measured.
    pub candidate: Option<WedgePlace>,
    /// Result of calibrating against known densities; `None` without them.
    pub calibration: Option<Calibration>,
    /// Measurements of the pictures.
    pub pictures: Measurement,
    /// The single frame that resolves most steps.
    pub best_on_wedge: Option<BestFrame>,
    /// Gain over the best single frame, by SNR.
    pub gain: Vec<BracketGain>,
    /// Shares of the scene that the bracket records.
    pub scene: Option<Scene>,
    /// Maps reference-frame pixels to pixels of the camera's HDR picture; `None` without one, or where it could not be
    /// registered.
    pub camera_at: Option<Transform>,
    /// Doubts.
    pub findings: Vec<Finding>,
}
