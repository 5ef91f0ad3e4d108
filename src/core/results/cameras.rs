//! Comparison of cameras: one row per bracket, ranks with ties, light received by each.
use super::{
    PictureMeasurement, RankedFigure, RankedPicture, ShotComparison, Standing, UsableStops,
};
use crate::units::{Estimate, ExposureSettings};
use serde::{Deserialize, Serialize};

/// Brackets of different cameras, compared.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct CameraComparison {
    /// One row per camera and bracket, and one per camera that has pictures only; most stops of the merge first, then most steps.
    pub rows: Vec<CameraRow>,
    /// Each later row against the first: difference in light expected from the settings, and measured on the wedge.
    pub light: Vec<LightPair>,
    /// Reasons why rows cannot be compared directly, one entry per reason.
    pub not_comparable: Vec<NotComparable>,
    /// Default shots compared at their settings: light, noise, colour; `None` where fewer than two share three places.
    #[serde(default)]
    pub shots: Option<ShotComparison>,
}

/// One camera's figures.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CameraRow {
    /// Camera name from the metadata, else the name of the bracket.
    pub camera: String,
    /// Name of the bracket, or of the entry of its pictures without a bracket.
    pub bracket: String,
    /// Settings of the default shot.
    pub settings: ExposureSettings,
    /// Number of steps on the wedge; `None` without a wedge.
    pub steps: Option<usize>,
    /// The default shot: the reference frame of the bracket; without one the single shot that resolves most steps.
    #[serde(default)]
    pub default_shot: LevelsAndRange,
    /// The single frame that keeps most of the scene, [`Scene::kept_by`](super::Scene::kept_by).
    pub single: LevelsAndRange,
    /// The camera's own HDR picture.
    pub camera_hdr: LevelsAndRange,
    /// The merge.
    pub merge: LevelsAndRange,
    /// The merge of raw files of the same shots; empty without such files.
    #[serde(default)]
    pub raw: LevelsAndRange,
    /// Clip point of the reference frame, stops above the lightest step of the wedge; `None` without one.
    pub clip_above_white: Option<f64>,
    /// Rank by the merge's stops down to SNR 1, as in `standings`; `None` where the row cannot be ranked.
    pub rank_stops: Option<usize>,
    /// Rank by the steps the merge resolves, as in `standings`.
    pub rank_levels: Option<usize>,
    /// Standing by each figure of each picture that at least two rows have.
    #[serde(default)]
    pub standings: Vec<Standing>,
}

/// Resolved levels and usable range of one picture.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct LevelsAndRange {
    /// File of the picture, the best one where there are several; `None` without one.
    pub file: Option<String>,
    /// Steps resolved by `noise`.
    pub levels: Option<usize>,
    /// Steps resolved with the noise of 8 x 8 pixel means, where those are fewer: `noise` then flatters the picture, because
    /// compression or filtering took out the noise of single pixels.
    #[serde(default)]
    pub levels_block: Option<usize>,
    /// Range down to SNR 1, as in the picture's entry.
    pub snr1: Option<UsableStops>,
    /// Range down to SNR 10.
    pub snr10: Option<UsableStops>,
}

impl LevelsAndRange {
    /// Levels and range of a measured picture.
    pub fn of(picture: &PictureMeasurement) -> Self {
        LevelsAndRange {
            file: Some(picture.file.clone()),
            levels: picture.levels.map(|l| l.noise),
            levels_block: picture.levels.and_then(|l| l.fewer_by_block()),
            snr1: picture.at_snr(1.0).copied(),
            snr10: picture.at_snr(10.0).copied(),
        }
    }

    /// True if there is such a picture with a figure.
    pub fn is_there(&self) -> bool {
        self.levels.is_some() || self.snr1.is_some() || self.snr10.is_some()
    }
}

impl CameraRow {
    /// Standing by one figure of one picture; `None` where fewer than two rows have it.
    pub fn standing(&self, picture: RankedPicture, figure: RankedFigure) -> Option<&Standing> {
        let wanted = |s: &&Standing| s.picture == picture && s.figure == figure;
        self.standings.iter().find(wanted)
    }

    /// Figures of one picture.
    pub fn figures(&self, picture: RankedPicture) -> &LevelsAndRange {
        match picture {
            RankedPicture::DefaultShot => &self.default_shot,
            RankedPicture::Single => &self.single,
            RankedPicture::CameraHdr => &self.camera_hdr,
            RankedPicture::Merge => &self.merge,
            RankedPicture::Raw => &self.raw,
        }
    }

    /// True if some range of the row has a 95 % interval.
    pub fn has_interval(&self) -> bool {
        let all = RankedPicture::ALL.map(|picture| self.figures(picture));
        let ranges = all.into_iter().flat_map(|f| [f.snr1, f.snr10]);
        ranges
            .flatten()
            .any(|u| u.low95.is_some() && u.high95.is_some())
    }
}

/// Difference in recorded light between the reference frames of two cameras.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LightPair {
    /// Camera of the first row.
    pub first: String,
    /// Camera of the other.
    pub second: String,
    /// log2 of `t S / N^2`, second over first, stops; `None` where a setting is unknown.
    pub expected: Option<f64>,
    /// Median over steps usable in both of log2 of exposure, second over first, each in units of its own clip exposure;
    /// stops. The uncertainty is from the scatter of the steps.
    pub measured: Option<Estimate>,
}

/// A condition under which the figures of two brackets cannot be compared directly.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum NotComparable {
    /// Wedges with different numbers of steps, or one bracket without a wedge: levels cannot be compared.
    Wedge {
        /// Bracket.
        bracket: String,
    },
    /// The wedge occupies another share of the frame, which changes noise averaging and the effect of blur.
    Framing {
        /// Bracket.
        bracket: String,
        /// Width of a patch as a share of the frame's width, over that of the first bracket.
        ratio: f64,
    },
    /// Measured and expected difference in light disagree: different illumination, or a different definition of the speed
    /// setting.
    Light {
        /// Bracket.
        bracket: String,
        /// Measured less expected, stops.
        difference: f64,
    },
    /// A different sensitivity setting from the first bracket's.
    Speed {
        /// Bracket.
        bracket: String,
        /// Its ISO speed.
        speed: f64,
        /// ISO speed of the first bracket.
        first: f64,
    },
}
