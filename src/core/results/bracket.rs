//! The entry of one bracket in the report: frames, exposure check, response, noise, map, measurements, files written.
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

/// Everything found on one bracket.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct BracketReport {
    /// Name, unique within the run; also the name of the bracket's output folder.
    pub name: String,
    /// The answer in one sentence with numbers.
    pub headline: String,
    /// SHA-256 (FIPS 180-4), in hexadecimal, over the SHA-256 sums of all decoded files, in order. Its first twelve digits
    /// are printed on the sheets.
    #[serde(default)]
    pub inputs_sha256: Option<String>,
    /// Camera name from the metadata; `None` where the metadata have none.
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
    /// Location of the wedge; `None` without one.
    pub wedge: Option<WedgePlace>,
    /// Wedge candidate below the confidence limit or of another grid than requested; not measured. `None` without one.
    pub candidate: Option<WedgePlace>,
    /// Fit of the measured light to known densities: span, glare, evenness; `None` without known densities.
    pub calibration: Option<Calibration>,
    /// Measurements of the pictures, by kind.
    pub pictures: Measurement,
    /// What the merge gains over the best single frame, by SNR.
    pub gain: Vec<BracketGain>,
    /// The single frame that resolves most of the wedge; `None` without a wedge.
    pub best_on_wedge: Option<BestFrame>,
    /// How much of the scene the frames record, and which bracket would have sufficed; `None` where no pixel could be
    /// counted.
    pub scene: Option<Scene>,
    /// The camera's own HDR picture against the merge; `None` without one, or where it could not be registered to the
    /// merge.
    pub comparison: Option<Comparison>,
    /// Comparison with raw files of the same shots; `None` without any.
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
    /// True for the frame that gives the map its geometry and moment.
    pub reference: bool,
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
    /// Moment of capture as the file states it, with sub-seconds where known.
    pub captured: Option<String>,
    /// Relative exposure in stops: stated and used, with standard uncertainties, and the source of the one used.
    pub exposure: Exposure,
    /// Share of pixels at the clip level, 0..=1.
    pub clipped_share: Option<f64>,
    /// Share of pixels at the black floor, 0..=1.
    pub crushed_share: Option<f64>,
    /// Displacement against the reference that was removed; `None` without registration.
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
    /// Root mean square displacement that remains after removal, pixels.
    pub residual_px: Option<f64>,
}

/// The noise model behind the weights of the merge, as named numbers.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct NoiseSummary {
    /// Source of the model, in words.
    pub source: String,
    /// Parameters of the model.
    pub terms: Vec<NoiseTerm>,
}

/// One parameter of the noise model.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NoiseTerm {
    /// Name, in words ("read noise").
    pub name: String,
    /// Channel ("R", "G", "B"), or `None` for a value common to all.
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
    /// Share clipped in every frame; radiance is a lower bound there.
    pub clipped_in_all: f64,
    /// Share darker than the noise in every frame.
    pub dark_in_all: f64,
    /// Share covered by usable data of one frame only.
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
    /// Kind of file, in words ("radiance map").
    pub what: String,
    /// Path relative to the folder of report.json, with forward slashes.
    pub path: String,
    /// Length in bytes, where known.
    pub bytes: Option<u64>,
}
