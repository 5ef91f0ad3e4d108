//! The report of one bracket: frames, exposure check, response, noise, map, pictures measured, files written.
use crate::finding::Finding;
use crate::model::Exposure;
use crate::model::ExposureCheck;
use crate::model::Response;
use crate::results::Calibration;
use crate::results::Comparison;
use crate::results::{BestFrame, Scene};
use crate::results::{BracketGain, Measurement, RawComparison, WedgePlace};
use crate::units::ExposureSettings;
use serde::{Deserialize, Serialize};

/// All that was found on one bracket.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct BracketReport {
    /// Name, unique within the run; also the name of its folder.
    pub name: String,
    /// The answer in one sentence with numbers ([`stopspan_report::words::headline`]).
    pub headline: String,
    /// SHA-256 (FIPS 180-4), in hexadecimal, over the SHA-256 sums of the files that were decoded, in order: one number for
    /// all inputs. Its first twelve digits stand on the sheets.
    #[serde(default)]
    pub inputs_sha256: Option<String>,
    /// The camera as the metadata name it, if they do.
    pub camera: Option<String>,
    /// Frames, least exposure first.
    pub frames: Vec<FrameEntry>,
    /// Stated against measured exposure ratios; `None` where nothing could be measured.
    pub exposure_check: Option<ExposureCheck>,
    /// Response curve; `None` where the merge was not reached.
    pub response: Option<Response>,
    /// Noise model used for the weights.
    pub noise: Option<NoiseSummary>,
    /// What the radiance map covers.
    pub map: Option<MapSummary>,
    /// Where the wedge is; `None` without one.
    pub wedge: Option<WedgePlace>,
    /// Something like a wedge, too doubtful or of another size than was asked for, and so not measured; `None` where there is nothing to ask about.
    pub candidate: Option<WedgePlace>,
    /// Known densities against the light: span, glare, evenness; `None` without known densities.
    pub calibration: Option<Calibration>,
    /// Pictures measured, by what they are.
    pub pictures: Measurement,
    /// What the merge gains over the best single frame, by SNR.
    pub gain: Vec<BracketGain>,
    /// The single frame that shows the wedge best; `None` without one.
    pub best_on_wedge: Option<BestFrame>,
    /// What the frames hold of the scene, and which would have been enough; `None` where no pixel could be counted.
    pub scene: Option<Scene>,
    /// The camera's own HDR picture against the merge; `None` without one, or where it could not be laid over the merge.
    pub comparison: Option<Comparison>,
    /// What raw files of the same shots say of the frames; `None` without any.
    #[serde(default)]
    pub raw_beside: Option<RawComparison>,
    /// Doubts about the bracket as a whole; those about one picture are in `pictures`.
    pub findings: Vec<Finding>,
    /// Files written for this bracket.
    pub outputs: Vec<OutputFile>,
}

/// One frame with its exposure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FrameEntry {
    /// File name.
    pub file: String,
    /// True for the frame whose geometry and moment the map has.
    pub reference: bool,
    /// Columns, upright, pixels.
    pub columns: usize,
    /// Rows, upright, pixels.
    pub rows: usize,
    /// Bits a sample: 8, 16 or 32 (float).
    pub bits: u32,
    /// Exposure time (s), f-number, ISO speed; each `null` where unknown.
    pub settings: ExposureSettings,
    /// Exposure bias, EV, where stated.
    pub bias: Option<f64>,
    /// Moment of capture as the file states it, with sub-seconds where known.
    pub captured: Option<String>,
    /// Relative exposure in stops: stated, used, with standard uncertainties, and where the one used comes from.
    pub exposure: Exposure,
    /// Share of pixels at the clip level, 0..=1.
    pub clipped_share: Option<f64>,
    /// Share of pixels at the black floor, 0..=1.
    pub crushed_share: Option<f64>,
    /// Displacement against the reference that was removed; `None` where none was looked for.
    pub shift: Option<Shift>,
}

/// Displacement of a frame against the reference.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Shift {
    /// To the right at the centre of the frame, pixels.
    pub columns: f64,
    /// Down at the centre of the frame, pixels.
    pub rows: f64,
    /// Clockwise rotation, degrees.
    pub degrees: f64,
    /// Root mean square of what remains after removal, pixels.
    pub residual_px: Option<f64>,
}

/// The noise model that the weights of the merge rest on, as named numbers.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct NoiseSummary {
    /// Where it comes from, in words.
    pub source: String,
    /// Its numbers.
    pub terms: Vec<NoiseTerm>,
}

/// One number of the noise model.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NoiseTerm {
    /// What it is, in words ("read noise").
    pub name: String,
    /// Channel ("R", "G", "B"), or `None` where it holds for all.
    pub channel: Option<String>,
    /// Value in `unit`.
    pub value: f64,
    /// Standard uncertainty in `unit`, where known.
    pub standard_uncertainty: Option<f64>,
    /// Unit ("8-bit codes", "relative exposure").
    pub unit: String,
}

/// What the radiance map covers. Shares are of pixels, 0..=1.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct MapSummary {
    /// Columns, pixels.
    pub columns: usize,
    /// Rows, pixels.
    pub rows: usize,
    /// Share clipped in every frame: the map holds lower bounds there.
    pub clipped_in_all: f64,
    /// Share darker than the noise in every frame.
    pub dark_in_all: f64,
    /// Share that rests on one frame alone.
    pub one_frame: f64,
    /// Share that no other frame covers after registration.
    pub uncovered: f64,
    /// Share where something moved and frames were left out.
    pub moved: f64,
    /// Share of pixels in which each frame has the largest weight, in the order of `frames`.
    pub largest_weight: Vec<f64>,
}

/// A file written.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct OutputFile {
    /// What it is, in words ("radiance map").
    pub what: String,
    /// Path relative to the folder of report.json, with forward slashes.
    pub path: String,
    /// Length in bytes, where known.
    pub bytes: Option<u64>,
}
