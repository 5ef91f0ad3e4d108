//! Radiance distribution of the scene, and how much of it the bracket records: plain data, as serialised in the report.
use serde::{Deserialize, Serialize};

/// Radiance distribution of the scene in the map, and the shares that frames and merge record. Shares are of the map's
/// pixels, 0..=1.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Scene {
    /// Number of pixels counted (a large map is sampled).
    pub pixels: usize,
    /// Share clipped in every frame: radiance has only a lower bound.
    pub clipped_share: f64,
    /// Share below the noise in every frame: radiance has only an upper bound.
    pub lost_share: f64,
    /// Stops between the 0.5 % and 99.5 % quantiles of radiance. A lower bound where either share above exceeds 0.5 %.
    /// `None` where no radiance is known.
    pub stops: Option<f64>,
    /// Distribution of radiance.
    pub histogram: Histogram,
    /// Shares recorded by each frame and by the merge, one entry per SNR.
    pub held: Vec<SharesAtSnr>,
    /// Share that each frame clips in some channel, in the order of the bracket.
    #[serde(default)]
    pub clipped: Vec<f64>,
    /// The single frame that keeps most of the scene.
    pub best: Option<BestFrame>,
    /// What the bracket lacks at either end of the scene's light; `None` where no radiance is known.
    #[serde(default)]
    pub reach: Option<BracketReach>,
    /// The smallest brackets that record 99 % and 99.9 % of the pixels of known radiance. An entry is left out where no
    /// bracket does; a finding then says so.
    pub advice: Vec<Advice>,
}

impl Scene {
    /// File of the single frame that keeps most of the scene.
    pub fn kept_by(&self) -> Option<&str> {
        Some(self.best.as_ref()?.file.as_str())
    }
}

/// Distribution of the radiance of the measuring channel, over the pixels of known radiance.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Histogram {
    /// Lower edge of the first bin: log2 of radiance, 0 where the reference frame just clips.
    pub lowest_stops: f64,
    /// Width of a bin, stops.
    pub step_stops: f64,
    /// Share of pixels in each bin.
    pub shares: Vec<f64>,
}

/// Shares of the scene recorded at one SNR: pixels not clipped in any channel and with at least that SNR.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SharesAtSnr {
    /// The SNR of one pixel.
    pub snr: f64,
    /// Share of each frame alone, in the order of the bracket.
    pub frames: Vec<f64>,
    /// Share of the merge.
    pub merge: f64,
}

/// Criterion by which a single frame is the best one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Criterion {
    /// Least loss of the scene by area: a pixel that is clipped in some channel counts 2, one that is not clipped and below SNR 10
    /// (the first acceptable signal-to-noise ratio of ISO 12232) counts 1. Clipped light is lost, noisy light can be averaged:
    /// common practice of exposing for the highlights, no source for the weights.
    KeepsMost,
    /// Most steps of the wedge resolved by `noise`.
    LevelsByNoise,
    /// Longest range down to SNR 10, stops, among frames that resolve equally many steps.
    StopsAtSnr10,
}

/// The best single frame and the number that decided.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BestFrame {
    /// File name.
    pub file: String,
    /// The criterion that decided.
    pub criterion: Criterion,
    /// Value: of `KeepsMost` the share kept, 0..=1, unclipped and at SNR 10 or more; else steps, or stops.
    pub value: f64,
    /// The same of the next best frame; `None` with one frame.
    pub next: Option<f64>,
    /// Files of the frames tied with it: equally many steps, a loss within 0.1 % of the picture, or a range whose difference lies within
    /// the 95 % interval of that difference (the two intervals taken as independent; ranges without interval tie). Empty
    /// without ties.
    pub tied: Vec<String>,
}

/// The smallest bracket of equally spaced frames that records a wanted share of the scene at a wanted SNR.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Advice {
    /// Wanted SNR of one pixel: 10.
    pub snr: f64,
    /// Wanted share of the pixels of known radiance: 0.99 or 0.999.
    pub wanted_share: f64,
    /// The frames, least exposure first.
    pub frames: Vec<AdvisedFrame>,
    /// Stops between neighbouring frames, a multiple of one third, at most 3; 0 for one frame.
    pub spacing_stops: f64,
    /// Share that these frames would record, merged.
    pub share: f64,
    /// Largest share that one frame fewer could record, whatever its exposures; `None` for one frame.
    pub one_fewer_share: Option<f64>,
    /// Share of the same pixels that the bracket as taken records.
    pub taken_share: f64,
}

/// One frame of an advised bracket.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct AdvisedFrame {
    /// Exposure against the reference frame, stops: a multiple of one third.
    pub stops: f64,
    /// Exposure time at the reference frame's aperture and speed, s; `None` where its time is unknown.
    pub time: Option<f64>,
}

/// What a bracket lacks at either end of the scene's light. Enough is at most 0.5 % of the picture lost at either end.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BracketReach {
    /// Share of the picture, 0..=1, that is below SNR 10 in the merge.
    pub shadow_share: f64,
    /// Stops between the radiance at which the merge reaches SNR 10 and the 0.5 % quantile of the scene's radiance; 0 where the
    /// bracket has enough.
    pub shadow_stops: f64,
    /// True if that quantile is lost in the noise of every frame, so that `shadow_stops` is a lower bound.
    pub shadow_is_lower_bound: bool,
    /// Share of the picture, 0..=1, that is clipped in every frame. By how many stops is not known.
    pub highlight_share: f64,
    /// Frames to add, least exposure first: for highlights one two stops below the shortest (common practice, no source), for
    /// shadows the shortest with which the quantile reaches SNR 10, and those between it and the longest that keep steps to 3 stops. Empty
    /// where the bracket has enough.
    pub add: Vec<AdvisedFrame>,
}

impl BracketReach {
    /// Share of the picture, 0..=1, that may be lost at either end.
    pub const TAIL: f64 = 0.005;

    /// True if shadows and highlights are kept.
    pub fn is_enough(&self) -> bool {
        self.add.is_empty()
    }
}
