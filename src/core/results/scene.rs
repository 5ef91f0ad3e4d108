//! What is said of a scene and of the bracket that was taken of it: plain data for the report.
use serde::{Deserialize, Serialize};

/// A scene as its radiance map shows it, and what the frames hold of it. Shares are of the map's pixels, 0..=1.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Scene {
    /// Pixels counted (a large map is sampled).
    pub pixels: usize,
    /// Share that is clipped in every frame: how bright it is, the bracket does not tell.
    pub clipped_share: f64,
    /// Share that is lost in the noise of every frame: how dark it is, the bracket does not tell.
    pub lost_share: f64,
    /// Stops from the 0.5 % to the 99.5 % point of the pixels' radiance: what 99 % of them span. A lower bound where
    /// either share above exceeds 0.5 %. `None` where no pixel's radiance is known.
    pub stops: Option<f64>,
    /// How many pixels are how bright.
    pub histogram: Histogram,
    /// What each frame and the merge hold, at each SNR.
    pub held: Vec<SharesAtSnr>,
    /// The single frame that holds most, and what decided.
    pub best: Option<BestFrame>,
    /// The fewest frames that would have been enough for 99 % and for 99.9 % of the pixels whose radiance is known; left out
    /// where no bracket would be (then a finding says so).
    pub advice: Vec<Advice>,
}

/// Shares of pixels by radiance of the measuring channel, of those whose radiance is known.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Histogram {
    /// Lower edge of the first bin: log2 of radiance, 0 where the reference frame just clips.
    pub lowest_stops: f64,
    /// Width of a bin, stops.
    pub step_stops: f64,
    /// Share of pixels in each bin.
    pub shares: Vec<f64>,
}

/// Shares of the scene held at one SNR: not clipped in any channel, and at least that SNR in one pixel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SharesAtSnr {
    /// The SNR of one pixel.
    pub snr: f64,
    /// By each frame alone, in the order of the bracket.
    pub frames: Vec<f64>,
    /// By the merge.
    pub merge: f64,
}

/// What makes a single frame the best one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Criterion {
    /// Largest share of the scene held at SNR 10 (the first acceptable signal-to-noise ratio of ISO 12232).
    ShareAtSnr10,
    /// Shares at SNR 10 within 0.1 %: largest share held at SNR 40 (the first excellent one of ISO 12232).
    ShareAtSnr40,
    /// Most steps of the wedge told apart by noise.
    LevelsByNoise,
    /// As many steps as another frame: longest range down to SNR 10, stops.
    StopsAtSnr10,
}

/// The best single frame and the number that decided.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BestFrame {
    /// File name.
    pub file: String,
    /// What decided.
    pub criterion: Criterion,
    /// Its number: a share 0..=1, steps, or stops.
    pub value: f64,
    /// The same number of the next best frame; `None` with one frame.
    pub next: Option<f64>,
    /// Files of the frames that tie with it: as many steps, a share within 0.1 %, or a range whose difference lies within the
    /// 95 % interval of that difference (both intervals taken as independent; unknown intervals tie too). Empty where it
    /// stands alone.
    pub tied: Vec<String>,
}

/// The fewest equally spaced frames that hold a wanted share of the scene at a wanted SNR.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Advice {
    /// SNR of one pixel that is wanted: 10.
    pub snr: f64,
    /// Share wanted, of the pixels whose radiance is known: 0.99 or 0.999.
    pub wanted_share: f64,
    /// The frames, least exposure first.
    pub frames: Vec<AdvisedFrame>,
    /// Stops between neighbours, a multiple of one third, at most 3; 0 for one frame.
    pub spacing_stops: f64,
    /// Share that these frames would hold, merged.
    pub share: f64,
    /// Most that one frame fewer could hold, whatever its exposures; `None` for one frame.
    pub one_fewer_share: Option<f64>,
    /// Share that the bracket as taken holds, of the same pixels.
    pub taken_share: f64,
}

/// One frame of an advised bracket.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct AdvisedFrame {
    /// Exposure against the reference frame, stops: a multiple of one third.
    pub stops: f64,
    /// Exposure time that gives it at the reference frame's aperture and speed, s; `None` where its time is not known.
    pub time: Option<f64>,
}
