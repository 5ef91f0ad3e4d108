//! Comparison of the camera's own HDR picture with the merge: plain data, as serialised in the report.
use super::double_edges::DoubleEdges;
use crate::finding::Finding;
use crate::raster::{Point, Region};
use ndarray::Array2;
use serde::{Deserialize, Serialize};

/// A value with its 95 % interval, in the unit stated by the field.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Interval {
    /// The value.
    pub value: f64,
    /// Lower end of the 95 % interval; `None` where the data are too few for one.
    pub low95: Option<f64>,
    /// Upper end of the 95 % interval.
    pub high95: Option<f64>,
}

impl Interval {
    /// A value without an interval.
    pub fn without_interval(value: f64) -> Self {
        Interval {
            value,
            low95: None,
            high95: None,
        }
    }

    /// A value with the percentile interval of its bootstrap replicates; without an interval for fewer than 40 replicates.
    pub fn of_replicates(value: f64, replicates: &[f64]) -> Self {
        let ends = crate::statistics::bootstrap::percentile_interval(replicates, 0.95);
        Interval {
            value,
            low95: ends.map(|e| e.0),
            high95: ends.map(|e| e.1),
        }
    }

    /// A value with the normal interval `value +/- 1.959964 u`.
    pub fn normal(value: f64, standard_uncertainty: f64) -> Self {
        let (low, high) = crate::units::Estimate::new(value, standard_uncertainty).interval95();
        Interval {
            value,
            low95: Some(low),
            high95: Some(high),
        }
    }

    /// Standard uncertainty equivalent to the interval, assuming a normal distribution.
    pub fn standard_uncertainty(&self) -> Option<f64> {
        Some((self.high95? - self.low95?) / (2.0 * 1.959_963_984_540_054))
    }
}

/// Difference of two figures and its significance.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Difference {
    /// Value for the camera's picture minus the other value.
    pub value: f64,
    /// Lower end of the 95 % interval.
    pub low95: Option<f64>,
    /// Upper end of the 95 % interval.
    pub high95: Option<f64>,
    /// True if 0 lies within the interval: no significant difference. `None` without an interval.
    pub tie: Option<bool>,
}

impl Difference {
    /// Difference of two independent figures; their intervals are combined as normal ones.
    pub fn of(camera: &Interval, other: &Interval) -> Self {
        let value = camera.value - other.value;
        let spread = camera
            .standard_uncertainty()
            .zip(other.standard_uncertainty());
        match spread {
            Some((a, b)) => Self::from(Interval::normal(value, a.hypot(b))),
            None => Self::from(Interval::without_interval(value)),
        }
    }
}

impl From<Interval> for Difference {
    fn from(difference: Interval) -> Self {
        let ends = difference.low95.zip(difference.high95);
        Difference {
            value: difference.value,
            low95: difference.low95,
            high95: difference.high95,
            tie: ends.map(|(low, high)| low <= 0.0 && high >= 0.0),
        }
    }
}

/// A compared quantity. For its unit see [`Compared::unit`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Quantity {
    /// Steps of the wedge resolved by `noise`.
    LevelsNoise,
    /// Steps resolved by `code`.
    LevelsCode,
    /// Steps resolved by `visual`.
    LevelsVisual,
    /// Usable range down to SNR 1, stops.
    UsableStops1,
    /// Usable range down to SNR 10, stops.
    UsableStops10,
    /// Range of scene light, stops, over which 0.10 density (a third of a stop) changes the lightness L* of the finished
    /// picture by at least 1.
    VisibleStops,
    /// Spatial frequency at which the edge response is 0.5, cycles per pixel of the reference frame.
    Mtf50,
    /// Spatial frequency at which the edge response is 0.1, cycles per pixel of the reference frame.
    Mtf10,
    /// Overshoot of the edge profile above its light side, share of the step.
    Overshoot,
    /// Contrast between neighbouring pixels over contrast between neighbouring 4 x 4 pixel means, in linear light, noise
    /// subtracted; measured where there is texture.
    Acutance,
    /// Noise of one pixel where L* of the camera's picture is 15 to 40, stops of scene light.
    NoiseDark,
    /// Noise of one pixel where L* is 40 to 65, stops of scene light.
    NoiseMiddle,
    /// Noise of one pixel where L* is 65 to 90, stops of scene light.
    NoiseLight,
    /// Mean difference of a* in neutral areas at equal lightness.
    NeutralA,
    /// Mean difference of b* in neutral areas at equal lightness.
    NeutralB,
    /// Mean CIEDE2000 difference of neutral areas after matching lightness.
    NeutralDifference,
    /// Mean CIEDE2000 difference of coloured areas after matching lightness.
    ColourDifference,
    /// Share of the frame that departs from the single global tone curve.
    OffCurve,
    /// Share of the frame that mixes two moments.
    Ghosts,
    /// Share of the textured areas in which everything appears twice, displaced.
    DoubleEdges,
    /// Share of the frame at white: the two highest 8-bit codes, in finished pictures and frames alike.
    Clipped,
    /// Share of the frame at black: the two lowest 8-bit codes.
    Crushed,
}

/// One quantity for the camera's own HDR picture, the merge and the best single frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Compared {
    /// The quantity.
    pub quantity: Quantity,
    /// Its unit: "steps", "stops", "cycles/pixel", "share", "L*a*b*", "ratio".
    pub unit: String,
    /// Value for the camera's own HDR picture.
    pub camera_hdr: Option<Interval>,
    /// Value for the merge; `None` where the quantity is itself a difference from the merge.
    pub merge: Option<Interval>,
    /// Value for the single frame that is best in this quantity, or for the reference frame where no frame is best.
    pub single: Option<Interval>,
    /// File name of that single frame.
    pub single_file: Option<String>,
    /// Camera minus merge.
    pub against_merge: Option<Difference>,
    /// Camera minus single frame.
    pub against_single: Option<Difference>,
}

impl Compared {
    /// A share defined for the camera's picture only; it is 0 for the merge by definition.
    pub fn of_camera_alone(quantity: Quantity, share: Interval) -> Self {
        Compared {
            quantity,
            unit: "share".to_owned(),
            camera_hdr: Some(share),
            merge: None,
            single: None,
            single_file: None,
            against_merge: Some(Difference::from(share)),
            against_single: None,
        }
    }
}

/// One knot of a tone curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Knot {
    /// log2 of the merge's relative radiance (green).
    pub stops: f64,
    /// Level of the finished picture (green), 0..=1 of full scale.
    pub level: f64,
    /// Lower end of the 95 % interval of the level.
    pub low95: Option<f64>,
    /// Upper end of the 95 % interval of the level.
    pub high95: Option<f64>,
}

/// Whether one curve describes the whole finished picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ToneKind {
    /// One curve for the whole frame: fewer than 5 % of the flat cells depart from it.
    Global,
    /// The curve varies over the frame.
    Local,
}

/// Level of a finished picture against scene radiance, over the whole frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ToneCurve {
    /// Knots of the curve, rising, darkest first.
    pub knots: Vec<Knot>,
    /// A sample of the fitted cells, for drawing: [log2 radiance, level].
    pub cloud: Vec<[f64; 2]>,
    /// Number of flat cells (8 x 8 pixels) in the fit.
    pub cells: usize,
    /// Global or local.
    pub kind: ToneKind,
    /// Root mean square residual of the cells beyond their noise, level 0..=1.
    pub residual: Interval,
    /// Share of the flat cells that depart from the curve by more than 0.02 of full scale and three times their noise.
    pub off_curve: Interval,
    /// Residuals by part of the frame.
    pub tiles: Vec<ToneTile>,
}

/// Residuals of the curve in one part of the frame.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ToneTile {
    /// Part of the reference frame, pixels.
    pub region: Region,
    /// Number of flat cells in it.
    pub cells: usize,
    /// Median of level minus curve, level 0..=1; positive where the camera made the part lighter.
    pub offset: f64,
    /// Root mean square residual beyond noise, level 0..=1.
    pub residual: f64,
    /// Share of the cells that depart from the curve.
    pub off_curve: f64,
}

/// Response to one slanted edge in one picture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EdgeResponse {
    /// File name.
    pub file: String,
    /// Frequency at which the response is 0.5, cycles per pixel of the reference frame.
    pub mtf50: Interval,
    /// Frequency at which the response is 0.1; `None` if it stays above 0.1 up to one cycle per pixel.
    pub mtf10: Option<Interval>,
    /// Rise of the profile above the light side, share of the step, >= 0.
    pub overshoot: Interval,
    /// Dip of the profile below the dark side, share of the step, >= 0.
    pub undershoot: Interval,
    /// The response at frequencies 0, 0.02, 0.04, ... 1 cycles per pixel.
    pub response: Vec<f64>,
}

/// One slanted edge in every picture it was measured in.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Edge {
    /// Region of the reference frame, pixels.
    pub region: Region,
    /// Angle against the pixel grid, degrees, 0..=45.
    pub degrees: f64,
    /// Ratio of the light side to the dark side, linear light.
    pub contrast: f64,
    /// True if the user specified the edge.
    pub given: bool,
    /// In the camera's own HDR picture.
    pub camera_hdr: EdgeResponse,
    /// In the merge.
    pub merge: EdgeResponse,
    /// In the single frame with the least noise at this edge.
    pub single: Option<EdgeResponse>,
}

/// An area in which the finished picture mixes two moments, or shows another moment than the merge.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Ghost {
    /// Bounding box in the reference frame, pixels.
    pub region: Region,
    /// Number of pixels.
    pub pixels: usize,
    /// Share of the other frame's content that is mixed in, 0..=1; about 1 means the whole content of another moment.
    pub mixed: f64,
    /// File name of the frame whose content explains it best.
    pub frame: String,
    /// Share of the disagreement explained by mixing in that frame, 0..=1.
    pub explained: f64,
    /// Root mean square disagreement, level 0..=1.
    pub residual: f64,
}

/// Ghosts in a finished picture.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Ghosts {
    /// Share of the compared area that mixes two moments.
    pub share: f64,
    /// Ghosts, largest first.
    pub places: Vec<Ghost>,
    /// Share that disagrees with the merge beyond the tone curve of its surroundings and matches no other frame.
    pub unexplained: f64,
}

/// The camera's own HDR picture against the merge.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Comparison {
    /// File name of the camera's own HDR picture.
    pub file: String,
    /// Position of the reference frame's centre in the camera's picture, its pixels.
    pub centre: Point,
    /// Pixels of the camera's picture per pixel of the reference frame.
    pub scale: f64,
    /// True if the picture was resampled (once) to register it to the merge; figures of single pixels and edges use the
    /// original samples.
    pub resampled: bool,
    /// Level against scene radiance; `None` where both pictures share too few flat cells.
    pub tone: Option<ToneCurve>,
    /// All quantities compared.
    pub quantities: Vec<Compared>,
    /// Slanted edges found.
    pub edges: Vec<Edge>,
    /// Areas that mix two moments.
    pub ghosts: Ghosts,
    /// Whether the camera misregistered its exposures; `None` without a tone curve.
    pub double_edges: Option<DoubleEdges>,
    /// Doubts about the comparison.
    pub findings: Vec<Finding>,
}

impl Comparison {
    /// The entry of one quantity; `None` if it was not compared.
    pub fn quantity(&self, quantity: Quantity) -> Option<&Compared> {
        self.quantities.iter().find(|c| c.quantity == quantity)
    }
}

/// Spacing of the frequencies of [`EdgeResponse::response`], cycles per pixel.
pub const FREQUENCY_STEP: f64 = 0.02;

/// The comparison, and a plane that marks ghosts with 1 and other disagreement with 2 (one element per `step` pixels of the
/// reference frame).
#[derive(Debug, Clone)]
pub struct ComparisonWithMarks {
    /// The comparison.
    pub comparison: Comparison,
    /// Marks.
    pub marks: Array2<u8>,
    /// Pixels per element of `marks`.
    pub step: usize,
}
