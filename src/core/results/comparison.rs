//! What the comparison of the camera's own HDR picture with the merge gives: plain data, as the report serialises it.
use crate::finding::Finding;
use crate::raster::{Point, Region};
use ndarray::Array2;
use serde::{Deserialize, Serialize};

/// A value with its 95 % interval, all in the unit the field's documentation names.
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
    /// A value whose interval is not known.
    pub fn without_interval(value: f64) -> Self {
        Interval {
            value,
            low95: None,
            high95: None,
        }
    }

    /// A value with the percentile interval of its bootstrap replicates (at least 40, else without interval).
    pub fn of_replicates(value: f64, replicates: &[f64]) -> Self {
        let ends = crate::statistics::bootstrap::percentile_interval(replicates, 0.95);
        Interval {
            value,
            low95: ends.map(|e| e.0),
            high95: ends.map(|e| e.1),
        }
    }

    /// A value with the normal interval `value -/+ 1.959964 u`.
    pub fn normal(value: f64, standard_uncertainty: f64) -> Self {
        let (low, high) = crate::units::Estimate::new(value, standard_uncertainty).interval95();
        Interval {
            value,
            low95: Some(low),
            high95: Some(high),
        }
    }

    /// One standard uncertainty that the interval amounts to, were it normal.
    pub fn standard_uncertainty(&self) -> Option<f64> {
        Some((self.high95? - self.low95?) / (2.0 * 1.959_963_984_540_054))
    }
}

/// A difference of two pictures, and whether it means anything.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Difference {
    /// The camera's picture less the other one.
    pub value: f64,
    /// Lower end of the 95 % interval.
    pub low95: Option<f64>,
    /// Upper end of the 95 % interval.
    pub high95: Option<f64>,
    /// True if 0 lies in the interval: the two are then not told apart. `None` without an interval.
    pub tie: Option<bool>,
}

impl Difference {
    /// Of two independent figures: the intervals added as normal ones.
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

/// A quantity that is compared. Units: see [`Compared::unit`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Quantity {
    /// Steps of the wedge told apart by `noise`.
    LevelsNoise,
    /// Steps told apart by `code`.
    LevelsCode,
    /// Steps told apart by `visual`.
    LevelsVisual,
    /// Usable range down to SNR 1, stops.
    UsableStops1,
    /// Usable range down to SNR 10, stops.
    UsableStops10,
    /// Range of scene light, in stops, over which 0.10 density (a third of a stop) changes the lightness L* of the
    /// finished picture by 1 at least.
    VisibleStops,
    /// Spatial frequency at which the edge response falls to one half, cycles per pixel of the reference frame.
    Mtf50,
    /// The same at one tenth.
    Mtf10,
    /// How far the edge profile rises above its light side, share of the step.
    Overshoot,
    /// Contrast of neighbouring pixels over that of 4 x 4 pixel means next to each other, in linear light, noise taken off:
    /// detail at equal contrast, where there is texture.
    Acutance,
    /// Noise of one pixel where the camera's picture has L* 15 to 40, stops of scene light.
    NoiseDark,
    /// The same between L* 40 and 65.
    NoiseMiddle,
    /// The same between L* 65 and 90.
    NoiseLight,
    /// Mean difference of a* on neutral places at equal lightness.
    NeutralA,
    /// Mean difference of b* on neutral places at equal lightness.
    NeutralB,
    /// Mean CIEDE2000 of neutral places after a lightness match.
    NeutralDifference,
    /// Mean CIEDE2000 of coloured places after a lightness match.
    ColourDifference,
    /// Share of the frame that leaves the one global tone curve.
    OffCurve,
    /// Share of the frame that shows two moments at once.
    Ghosts,
    /// Share of the textured places that show everything twice, displaced.
    DoubleEdges,
    /// Share of the frame at white: the last two codes of 255, in finished pictures and frames alike.
    Clipped,
    /// Share of the frame at black: the first two codes.
    Crushed,
}

/// One quantity of the camera's own HDR picture, the merge and the best single frame, side by side.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Compared {
    /// What is compared.
    pub quantity: Quantity,
    /// Its unit: "steps", "stops", "cycles/pixel", "share", "L*a*b*", "ratio".
    pub unit: String,
    /// Of the camera's own HDR picture.
    pub camera_hdr: Option<Interval>,
    /// Of the merge; `None` where the quantity is itself a difference from the merge.
    pub merge: Option<Interval>,
    /// Of the single frame that is best in this quantity, or of the reference frame where there is no best.
    pub single: Option<Interval>,
    /// That frame.
    pub single_file: Option<String>,
    /// Camera less merge.
    pub against_merge: Option<Difference>,
    /// Camera less single frame.
    pub against_single: Option<Difference>,
}

impl Compared {
    /// A share that only the camera's picture has: the merge has none of it.
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

/// Whether one curve describes a finished picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ToneKind {
    /// One curve for the whole frame: under 5 % of the flat places leave it.
    Global,
    /// The curve changes from place to place.
    Local,
}

/// Level against scene radiance of a finished picture, over the whole frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ToneCurve {
    /// The curve, rising, darkest first.
    pub knots: Vec<Knot>,
    /// Some of the places it rests on, for drawing: [log2 radiance, level].
    pub cloud: Vec<[f64; 2]>,
    /// Flat places (cells of 8 x 8 pixels) it rests on.
    pub cells: usize,
    /// Global or local.
    pub kind: ToneKind,
    /// Root mean square of what the places leave of the curve beyond their noise, level 0..=1.
    pub residual: Interval,
    /// Share of the flat places that leave the curve by more than 0.02 of full scale and three times their noise.
    pub off_curve: Interval,
    /// The same by place.
    pub tiles: Vec<ToneTile>,
}

/// What the curve leaves in one part of the frame.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ToneTile {
    /// Part of the reference frame, pixels.
    pub region: Region,
    /// Flat places in it.
    pub cells: usize,
    /// Median of level less curve, level 0..=1; positive where the camera made it lighter.
    pub offset: f64,
    /// Root mean square beyond noise, level 0..=1.
    pub residual: f64,
    /// Share that leaves the curve.
    pub off_curve: f64,
}

/// Response to one edge in one picture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EdgeResponse {
    /// File name.
    pub file: String,
    /// Frequency at which the response is one half, cycles per pixel of the reference frame.
    pub mtf50: Interval,
    /// Frequency at which it is one tenth; `None` if it does not fall so far below one cycle per pixel.
    pub mtf10: Option<Interval>,
    /// Rise of the profile above the light side, share of the step, >= 0.
    pub overshoot: Interval,
    /// Dip of the profile below the dark side, share of the step, >= 0.
    pub undershoot: Interval,
    /// The response at frequencies 0, 0.02, 0.04, ... 1 cycles per pixel.
    pub response: Vec<f64>,
}

/// One slanted edge, in every picture it was measured in.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Edge {
    /// Where, in the reference frame.
    pub region: Region,
    /// Angle against the pixel grid, degrees, 0..=45.
    pub degrees: f64,
    /// Light side over dark side, linear light.
    pub contrast: f64,
    /// True if the user chose it.
    pub given: bool,
    /// Of the camera's own HDR picture.
    pub camera_hdr: EdgeResponse,
    /// Of the merge.
    pub merge: EdgeResponse,
    /// Of the single frame with the least noise at this edge.
    pub single: Option<EdgeResponse>,
}

/// A place where the finished picture shows two moments at once, or another one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Ghost {
    /// Box around it in the reference frame.
    pub region: Region,
    /// Pixels.
    pub pixels: usize,
    /// Share of another frame's content that is mixed in, 0..=1; about 1 is a thing seen whole, but at another moment.
    pub mixed: f64,
    /// The frame that explains it best.
    pub frame: String,
    /// Share of the disagreement that mixing in that frame explains, 0..=1.
    pub explained: f64,
    /// Root mean square disagreement, level 0..=1.
    pub residual: f64,
}

/// Ghosts in a finished picture.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Ghosts {
    /// Share of the compared frame that shows two moments.
    pub share: f64,
    /// Where, largest first.
    pub places: Vec<Ghost>,
    /// Share that disagrees with the merge beyond the tone curve of its surroundings, but looks like no other frame.
    pub unexplained: f64,
}

/// Whether exposures were laid on each other.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct DoubleEdges {
    /// Places of 192 x 192 pixels with texture enough to tell.
    pub judged: usize,
    /// The second image; `None` if fewer than two places agree on one. Images nearer than about four pixels (three where
    /// there is much fine detail) are one with the blur, and blur by motion over seven pixels and more can look like two.
    pub second: Option<SecondImage>,
}

/// Everything shown a second time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SecondImage {
    /// Places that show it.
    pub places: usize,
    /// From the stronger image to the weaker, pixels of the reference frame. Between images as strong either sign is right.
    pub shift: Point,
    /// Length of that, pixels; under five it may come out a quarter short, for the images' peaks overlap.
    pub distance: Interval,
    /// Contrast of the weaker image over that of the stronger, 0..=1.
    pub strength: Interval,
}

/// The camera's own HDR picture against the merge.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Comparison {
    /// The camera's own HDR picture.
    pub file: String,
    /// Where the centre of the reference frame lies in it.
    pub centre: Point,
    /// Its pixels per pixel of the reference frame.
    pub scale: f64,
    /// True if it had to be resampled (once) to lie on the merge; single pixels and edges are measured as they are.
    pub resampled: bool,
    /// Level against scene radiance; `None` where too few flat places are seen in both.
    pub tone: Option<ToneCurve>,
    /// Every quantity side by side.
    pub quantities: Vec<Compared>,
    /// Slanted edges found.
    pub edges: Vec<Edge>,
    /// Places that show two moments.
    pub ghosts: Ghosts,
    /// Whether the camera laid its exposures on each other; `None` without a tone curve.
    pub double_edges: Option<DoubleEdges>,
    /// Doubts about the comparison.
    pub findings: Vec<Finding>,
}

impl Comparison {
    /// One quantity, if it was compared.
    pub fn quantity(&self, quantity: Quantity) -> Option<&Compared> {
        self.quantities.iter().find(|c| c.quantity == quantity)
    }
}

/// Distance of neighbouring frequencies, cycles per pixel.
pub const FREQUENCY_STEP: f64 = 0.02;

/// The comparison, and a plane that marks ghosts with 1 and other disagreement with 2 (one entry every `step` pixels of the
/// reference frame).
#[derive(Debug, Clone)]
pub struct ComparisonWithMarks {
    /// The result.
    pub comparison: Comparison,
    /// Marks.
    pub marks: Array2<u8>,
    /// Pixels an entry of `marks`.
    pub step: usize,
}
