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
    /// The single frame that records the largest share.
    pub best: Option<BestFrame>,
    /// The smallest brackets that record 99 % and 99.9 % of the pixels of known radiance. An entry is left out where no
    /// bracket does; a finding then says so.
    pub advice: Vec<Advice>,
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
    /// Largest share of the scene recorded at SNR 10 (the first acceptable signal-to-noise ratio of ISO 12232).
    ShareAtSnr10,
    /// Largest share at SNR 40 (the first excellent one of ISO 12232), among frames within 0.1 % of the largest share at
    /// SNR 10.
    ShareAtSnr40,
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
    /// Value of that criterion: a share 0..=1, steps, or stops.
    pub value: f64,
    /// Value of the next best frame; `None` with one frame.
    pub next: Option<f64>,
    /// Files of the frames tied with it: equally many steps, a share within 0.1 %, or a range whose difference lies within
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
