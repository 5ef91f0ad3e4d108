//! Default shots compared at their settings: light, noise and colour at the same places. Plain data, as serialised in the report.
use super::{Interval, Undecided};
use crate::units::ExposureSettings;
use serde::{Deserialize, Serialize};

/// Shots of several cameras compared at the same places of one subject.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct ShotComparison {
    /// What the places are.
    pub places: SamePlaces,
    /// True if exposure time, f-number and ISO speed are the same for all.
    pub equal_settings: bool,
    /// The shots, in the order of the cameras.
    pub shots: Vec<ComparedShot>,
}

/// How the same places were found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SamePlaces {
    /// The steps of the wedge.
    #[default]
    Wedge,
    /// Even places of the first shot, found in the others by registration.
    Registration,
}

/// One shot. Differences are against the first shot, over the places that both show neither clipped nor black; their intervals are 95 %
/// intervals of the mean over these places (Student's t).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ComparedShot {
    /// Camera from the metadata, else the file name.
    pub camera: String,
    /// File name.
    pub file: String,
    /// Exposure time, f-number and ISO speed.
    pub settings: ExposureSettings,
    /// Places shown neither clipped nor black, shared with the first shot.
    pub shared: usize,
    /// Light expected from the settings against the first shot, log2 of `t S / N^2`, stops; `None` where a setting is unknown.
    pub expected_stops: Option<f64>,
    /// Light of the displayed picture (IEC 61966-2-1) against the first shot, the rendering of each camera in it, stops.
    pub light_stops: Option<Interval>,
    /// SNR of one pixel at equal scene light against the first shot, stops (a factor of two in SNR).
    pub snr_stops: Option<Interval>,
    /// Mean distance of the places from the neutral axis, CIE 1976 chroma C*ab on an sRGB display. Only for grey places, those of a
    /// wedge.
    pub chroma: Option<Interval>,
    /// Standing by light: 1 is the brightest.
    pub brightest: Option<ShotStanding>,
    /// Standing by light less expected light: 1 is brighter than its settings say by most.
    pub above_settings: Option<ShotStanding>,
    /// Standing by SNR: 1 is the cleanest.
    pub cleanest: Option<ShotStanding>,
    /// Standing by chroma: 1 is the most neutral.
    pub most_neutral: Option<ShotStanding>,
}

/// Standing of a shot by paired differences over the places that two shots share: two shots are separated if the 95 % interval of their
/// mean difference does not hold 0, else tied.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct ShotStanding {
    /// 1 plus the number of shots separated above; `None` where some shot shares fewer than three places.
    pub rank: Option<usize>,
    /// Shots tied with this one, by camera.
    pub tied: Vec<String>,
    /// Shots that it cannot be ranked against, with the reason.
    pub undecided: Vec<Undecided>,
}
