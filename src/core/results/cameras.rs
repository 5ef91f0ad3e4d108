//! Cameras beside each other: one row a bracket, ranks with ties, the light each received.
use super::{PictureMeasurement, UsableStops};
use crate::units::{Estimate, ExposureSettings};
use serde::{Deserialize, Serialize};

/// Brackets of different cameras beside each other.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct CameraComparison {
    /// One entry a bracket, most stops of the merge first.
    pub rows: Vec<CameraRow>,
    /// Every row after the first against the first: light expected from the settings, and measured on the wedge.
    pub light: Vec<LightPair>,
    /// What keeps rows from being compared, one entry a reason.
    pub not_comparable: Vec<NotComparable>,
}

/// One camera's figures.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CameraRow {
    /// Camera as the metadata name it, else the name of the bracket.
    pub camera: String,
    /// Name of the bracket.
    pub bracket: String,
    /// Settings of the reference frame.
    pub settings: ExposureSettings,
    /// Steps on the wedge; `None` without one.
    pub steps: Option<usize>,
    /// Most steps that a single frame tells apart by `noise`.
    pub single: LevelsAndRange,
    /// Steps that the camera's own HDR picture tells apart.
    pub camera_hdr: LevelsAndRange,
    /// Steps that the merge tells apart, and its range.
    pub merge: LevelsAndRange,
    /// Clip point of the reference frame, stops above the lightest step of the wedge; `None` without one.
    pub clip_above_white: Option<f64>,
    /// Rank by the merge's stops down to SNR 1: 1 + the number of rows whose 95 % interval lies wholly above. Rows of
    /// one rank are a tie. `None` without a range and its interval.
    pub rank_stops: Option<usize>,
    /// Rank by the steps the merge tells apart; rows of one count are a tie, and so are all chart-limited rows.
    pub rank_levels: Option<usize>,
}

/// Levels and range of one kind of picture.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct LevelsAndRange {
    /// File of the picture; the best one where there are several.
    pub file: Option<String>,
    /// Steps told apart by `noise`.
    pub levels: Option<usize>,
    /// Range down to SNR 1, as in the picture's entry.
    pub snr1: Option<UsableStops>,
    /// Range down to SNR 10.
    pub snr10: Option<UsableStops>,
}

impl LevelsAndRange {
    /// The figures of a picture.
    pub fn of(picture: &PictureMeasurement) -> Self {
        LevelsAndRange {
            file: Some(picture.file.clone()),
            levels: picture.levels.map(|l| l.noise),
            snr1: picture.at_snr(1.0).copied(),
            snr10: picture.at_snr(10.0).copied(),
        }
    }
}

/// How much more light one camera's reference frame recorded than another's.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LightPair {
    /// Camera of the first row.
    pub first: String,
    /// Camera of the other.
    pub second: String,
    /// log2 of t S / N^2 of the second over the first, stops; `None` where a setting is not known.
    pub expected: Option<f64>,
    /// log2 of the exposure of the same steps, second over first, each in units of its own clip exposure, stops; the
    /// median over steps good in both, its uncertainty from their scatter.
    pub measured: Option<Estimate>,
}

/// Why figures of two brackets do not stand beside each other without a word.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum NotComparable {
    /// Wedges with different numbers of steps, or one without a wedge: levels cannot be compared.
    Wedge {
        /// Bracket.
        bracket: String,
    },
    /// The wedge fills another share of the frame: noise is averaged and blur counts differently.
    Framing {
        /// Bracket.
        bracket: String,
        /// Width of a patch as a share of the frame's width, over that of the first bracket.
        ratio: f64,
    },
    /// Measured and expected difference in light disagree: other light, or another meaning of the speed setting.
    Light {
        /// Bracket.
        bracket: String,
        /// Measured less expected, stops.
        difference: f64,
    },
    /// Another sensitivity setting than the first bracket's.
    Speed {
        /// Bracket.
        bracket: String,
        /// Its ISO speed.
        speed: f64,
        /// That of the first.
        first: f64,
    },
}
