//! What measuring a picture of the wedge gives: plain data, the same structs the report serialises.
use super::{BestFrame, BracketGain, Calibration, Measurement, Scene};
use crate::finding::Finding;
use crate::model::NoiseModel;
use crate::raster::Quad;
use crate::raster::Transform;
use serde::{Deserialize, Serialize};

/// What kind of picture was measured.
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

/// Where the wedge is and what is known of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WedgePlace {
    /// Outer corners in the reference frame: top-left, top-right, bottom-right, bottom-left of the wedge as a page.
    pub corners: Quad,
    /// Rows of patches.
    pub rows: usize,
    /// Columns of patches.
    pub columns: usize,
    /// Nominal density of each step in patch order (row by row), if known.
    pub densities: Option<Vec<f64>>,
    /// Standard uncertainty of each density, same order; `None` where not stated.
    pub density_uncertainty: Option<Vec<f64>>,
    /// True if row-by-row order runs from dark to light.
    pub dark_first: bool,
    /// True if every second row runs backwards.
    pub boustrophedon: bool,
    /// Confidence 0..=1 where found automatically; `None` where the corners were given.
    pub confidence: Option<f64>,
}

impl WedgePlace {
    /// Number of steps: all cells of the grid, or as many as densities were given.
    pub fn steps(&self) -> usize {
        let cells = self.rows * self.columns;
        self.densities
            .as_ref()
            .map_or(cells, |d| d.len().min(cells))
    }

    /// Position in patch order (row by row, 0 first) of step `step` (1 = lightest).
    pub fn position_of(&self, step: usize) -> usize {
        if self.dark_first {
            self.steps() - step
        } else {
            step - 1
        }
    }

    /// Nominal density of step `step` (1 = lightest), if known.
    pub fn density_of(&self, step: usize) -> Option<f64> {
        self.densities
            .as_ref()?
            .get(self.position_of(step))
            .copied()
    }

    /// Standard uncertainty of that density, if stated.
    pub fn density_uncertainty_of(&self, step: usize) -> Option<f64> {
        self.density_uncertainty
            .as_ref()?
            .get(self.position_of(step))
            .copied()
    }

    /// Centre of step `step` (1 = lightest) on the wedge as a page: columns and rows from its middle, -0.5..=0.5.
    pub fn centre_of(&self, step: usize) -> (f64, f64) {
        let (x, y, w, h) = self.unit_cell(self.position_of(step));
        (x + w / 2.0 - 0.5, y + h / 2.0 - 0.5)
    }

    /// The cell at a position in patch order, in units of the whole wedge (0..=1 both ways).
    pub fn unit_cell(&self, position: usize) -> (f64, f64, f64, f64) {
        let (row, mut column) = (position / self.columns, position % self.columns);
        if self.boustrophedon && row % 2 == 1 {
            column = self.columns - 1 - column;
        }
        let (w, h) = (1.0 / self.columns as f64, 1.0 / self.rows as f64);
        (column as f64 * w, row as f64 * h, w, h)
    }
}

/// Statistics of the interior of one patch. "Level" figures are encoded levels in 8-bit codes (0..=255, whatever the
/// file's depth); "linear" figures are relative scene radiance of the green channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Patch {
    /// Step number, 1 = lightest.
    pub step: usize,
    /// Nominal density if known.
    pub density: Option<f64>,
    /// Corners of the measured interior in this picture's pixels.
    pub corners: Quad,
    /// Width and height of the whole patch in this picture, pixels (shorter of opposite sides).
    pub size_px: [f64; 2],
    /// Least distance of the measured interior from the patch's edge, pixels: what keeps blur and JPEG blocks of 8 x 8 out.
    pub guard_px: f64,
    /// Pixels measured.
    pub pixels: usize,
    /// Independent samples these amount to, from the autocorrelation of the noise.
    pub effective_samples: f64,
    /// Mean code of R, G, B (equal for mono), 0..=255; not available for a radiance map.
    pub code: Option<[f64; 3]>,
    /// Standard deviation of the green code; not available for a radiance map.
    pub code_deviation: Option<f64>,
    /// Mean linear radiance (green), relative.
    pub linear: f64,
    /// Standard deviation of one pixel's linear radiance, texture and illumination slope removed.
    pub linear_deviation: f64,
    /// Standard deviation of 8x8 block means times 8 (what the deviation would be were pixels independent); `None`
    /// where the patch holds fewer than 8 blocks.
    pub block_deviation: Option<f64>,
    /// `linear / linear_deviation`, per pixel.
    pub snr: f64,
    /// Share of pixels at the clip level, 0..=1.
    pub clipped_share: f64,
    /// Share of pixels at the black floor, 0..=1.
    pub crushed_share: f64,
}

/// Why two neighbouring steps run together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum JoinReason {
    /// One of them has more than 1 % of its pixels at the clip level.
    Clipped,
    /// One of them sits at the black floor.
    Crushed,
    /// Their difference drowns in noise.
    Noise,
    /// The darker step is the lighter one in the picture.
    Order,
}

/// Steps `a` and `b = a + 1` run together: (a, b, reason). Serialised as a three-element array.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Joined(pub usize, pub usize, pub JoinReason);

/// Why two neighbours run together, with the number that decided and its limit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct JoinedBecause {
    /// Lighter step's number; the other is the next.
    pub step: usize,
    /// Why.
    pub reason: JoinReason,
    /// What `number` is.
    pub quantity: DecidingQuantity,
    /// The number that decided.
    pub number: f64,
    /// Its limit: a share above it, or a separation below it, joins the two.
    pub limit: f64,
}

/// What kind of number decided that two steps run together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DecidingQuantity {
    /// The larger share of clipped pixels of the two patches.
    ClippedShare,
    /// The larger share of pixels at the black floor.
    CrushedShare,
    /// The separation of the two patches, signed.
    Separation,
}

/// One pair of neighbouring steps under every criterion.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Pair {
    /// Lighter step's number (1 = lightest); the other is the next.
    pub step: usize,
    /// |m1 - m2| / sqrt((s1^2 + s2^2)/2) per pixel in linear light, signed: negative if the order is reversed.
    pub separation: f64,
    /// The same with the noise of means of 8 x 8 pixels, times 8 and smoothed over the patches by the noise model: what lossy
    /// coding does not hide. `None` where no lossy file went in, or the patches are too small for such means.
    pub block_separation: Option<f64>,
    /// Difference of mean green codes, 8-bit codes, signed; `None` for a radiance map.
    pub code_difference: Option<f64>,
    /// CIE dL* at the stated white, signed.
    pub lightness_difference: f64,
    /// DICOM PS3.14 just-noticeable-difference index difference at the stated display white, signed.
    pub jnd_difference: f64,
    /// Holm-corrected one-sided p value of the Welch test on patch means with effective samples.
    pub p_value: f64,
    /// Told apart by `noise`.
    pub by_noise: bool,
    /// Told apart by `block`; `None` as for `block_separation`.
    pub by_block: Option<bool>,
    /// Told apart by `code`; `None` where codes do not exist.
    pub by_code: Option<bool>,
    /// Told apart by `visual`.
    pub by_visual: bool,
    /// Told apart by the patch-mean test at 1 %.
    pub by_mean: bool,
    /// Why they run together by `noise`; `None` if they do not.
    pub reason: Option<JoinReason>,
    /// The number that decided: for `clipped` and `crushed` the larger share of the two patches, else the separation.
    pub decided_by: f64,
    /// The limit that number was held against: they run together where a share lies above it, or a separation below.
    pub limit: f64,
}

/// What luminance counts as white for lightness and just-noticeable differences.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum VisualWhite {
    /// Full scale of the encoded picture, shown on an sRGB display (IEC 61966-2-1).
    FullScale,
    /// The lightest step, radiance shown in proportion.
    LightestStep,
}

/// Levels told apart: 1 + number of resolved neighbouring pairs, by each named criterion.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct LevelCounts {
    /// By per-pixel separation >= 1 in linear light: the headline.
    pub noise: usize,
    /// By the same separation with the noise that lossy coding does not hide (that of means of 8 x 8 pixels): `noise` as it
    /// would be had the file kept it. `None` where no lossy file went in, or the patches are too small for such means.
    pub block: Option<usize>,
    /// By at least one code; `None` for a radiance map.
    pub code: Option<usize>,
    /// By CIE dL* >= 1.
    pub visual: usize,
    /// By the patch-mean significance test.
    pub patch_mean: usize,
    /// Longest unbroken run of steps told apart by `noise`.
    pub longest_run: usize,
    /// Neighbouring pairs whose darker step is the lighter one in the picture, beyond chance.
    pub reversals: usize,
    /// Steps on the wedge.
    pub steps: usize,
    /// True if every step is told apart by `noise`: the count is a lower bound.
    pub chart_limited: bool,
}

/// What limits the usable range.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Limit {
    /// Sensor and encoding noise at the dark end, clipping at the light end: the normal case.
    Noise,
    /// Black is crushed before noise reaches the threshold.
    Clipping,
    /// The wedge ends first, and the data do not pin the noise beyond it: the figure is the lower bound `seen_stops`.
    Wedge,
    /// Veiling glare sets the floor.
    Glare,
    /// Compression has taken noise away at the dark end, so that the figure is that of the file, not of the sensor.
    Compression,
}

/// Usable range at one SNR threshold.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct UsableStops {
    /// The SNR per pixel, scene-referred.
    pub snr: f64,
    /// Stops between clipping and the exposure at which that SNR is reached; `None` if it is never reached.
    pub stops: Option<f64>,
    /// Lower end of the 95 % interval.
    pub low95: Option<f64>,
    /// Upper end of the 95 % interval.
    pub high95: Option<f64>,
    /// What limits it.
    pub limited_by: Limit,
    /// Stops between clipping and the darkest step that was itself seen to reach that SNR: a lower bound that leans on no
    /// extrapolation. `None` if no step does, or without a wedge.
    pub seen_stops: Option<f64>,
    /// The same range where the SNR is that of an area instead of one pixel; `None` without a wedge (how far noise is
    /// correlated is measured there), and for pictures of fewer pixels than the area counts on.
    pub normalised: Option<NormalisedStops>,
}

/// Usable range at the SNR of an area: what one pixel of the picture scaled down to 1 000 000 pixels averages over.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NormalisedStops {
    /// Pixels that the area holds, >= 1.
    pub pixels: f64,
    /// Variance of the area's mean over that of independent pixels, >= 1: from means of 8 x 8 pixels near the dark end.
    pub correlation: f64,
    /// Stops between clipping and the exposure at which the area reaches the SNR; `None` if it is never reached.
    pub stops: Option<f64>,
    /// Lower end of the 95 % interval.
    pub low95: Option<f64>,
    /// Upper end of the 95 % interval.
    pub high95: Option<f64>,
    /// What limits it.
    pub limited_by: Limit,
}

/// All that was measured on one picture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PictureMeasurement {
    /// What it is.
    pub kind: PictureKind,
    /// File name.
    pub file: String,
    /// Levels told apart; `None` without a wedge.
    pub levels: Option<LevelCounts>,
    /// Neighbours that run together by `noise`.
    pub joined: Vec<Joined>,
    /// The same pairs with the number that decided each.
    pub joined_because: Vec<JoinedBecause>,
    /// Usable range at SNR 1, 3, 10 and 40.
    pub usable_stops: Vec<UsableStops>,
    /// Patches, lightest first.
    pub patches: Vec<Patch>,
    /// Neighbouring pairs, lightest first.
    pub pairs: Vec<Pair>,
    /// White of the `visual` criterion.
    pub visual_white: VisualWhite,
    /// Luminance of that white for the just-noticeable differences, cd/m^2.
    pub display_white: f64,
    /// Noise fitted to the patches, in units of the clip exposure; `None` where it could not be fitted.
    pub noise: Option<NoiseModel>,
    /// Doubts about this picture.
    pub findings: Vec<Finding>,
}

impl PictureMeasurement {
    /// The usable range down to `snr`; `None` where it was not measured at that SNR.
    pub fn at_snr(&self, snr: f64) -> Option<&UsableStops> {
        self.usable_stops.iter().find(|u| u.snr == snr)
    }

    /// Nothing measured yet.
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

/// Confidence from which a find is handed on; below, the corners are better asked for.
pub const CONFIDENT: f64 = 0.5;

/// File name of the rendering that a run writes and measures.
pub const RENDERED_FILE: &str = "picture.jpg";

/// Everything that was measured on a bracket.
#[derive(Debug, Clone)]
pub struct BracketMeasurement {
    /// The wedge that was measured.
    pub wedge: Option<WedgePlace>,
    /// A wedge candidate too doubtful, or of another grid than was asked for, and not measured.
    pub candidate: Option<WedgePlace>,
    /// Result of calibrating against known densities; `None` without them.
    pub calibration: Option<Calibration>,
    /// The pictures measured.
    pub pictures: Measurement,
    /// The single frame that resolves most steps.
    pub best_on_wedge: Option<BestFrame>,
    /// What the bracket gains over its best single frame.
    pub gain: Vec<BracketGain>,
    /// What the bracket records of its scene.
    pub scene: Option<Scene>,
    /// Reference pixel -> pixel of the camera's HDR picture; `None` without one that could be registered.
    pub camera_at: Option<Transform>,
    /// Doubts.
    pub findings: Vec<Finding>,
}
