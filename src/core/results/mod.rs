//! Everything a report is made of, as plain data: `measure` and the other stages fill it, `report` draws it.
//!
//! In reading order: the place of the wedge ([`WedgePlace`]); the [measurement](PictureMeasurement) of one picture, of all
//! pictures of a bracket ([`Measurement`]), and the gain of the bracket ([`BracketGain`]); the [`Scene`] and advised
//! brackets; calibration against known densities ([`Calibration`]); the camera's HDR picture against the merge
//! ([`Comparison`]); raw files of the same shots ([`RawComparison`], [`SavedTwice`]); the entry of a bracket
//! ([`BracketReport`]); finished pictures without a bracket ([`WithoutBracket`]); comparison of cameras ([`CameraComparison`]); the
//! whole [`Report`].
mod wedge_place;

mod gain;
mod measurement;
mod pictures;

mod calibration;
mod scene;

mod comparison;
mod double_edges;

mod raw_comparison;
mod saved_twice;

mod bracket;
mod cameras;
mod low_light;
mod report;
mod standing;
mod without_bracket;

pub use bracket::{
    BracketReport, FrameEntry, MapSummary, NoiseSummary, NoiseTerm, OutputFile, Shift,
};
pub use calibration::{Calibration, Evenness, Exponent, Glare, GlareRange, LightSource};
pub use cameras::{CameraComparison, CameraRow, LevelsAndRange, LightPair, NotComparable};
pub use comparison::{
    Compared, Comparison, ComparisonWithMarks, Difference, Edge, EdgeResponse, FREQUENCY_STEP,
    Ghost, Ghosts, Interval, Knot, Quantity, ToneCurve, ToneKind, ToneTile,
};
pub use double_edges::{DoubleEdges, SecondImage};
pub use gain::BracketGain;
pub use low_light::{ComparedShot, SamePlaces, ShotComparison, ShotStanding};
pub use measurement::{
    BracketMeasurement, DecidingQuantity, JoinReason, Joined, JoinedBecause, LevelCounts, Limit,
    NormalisedStops, Pair, Patch, PictureKind, PictureMeasurement, RENDERED_FILE, UsableStops,
    VisualWhite,
};
pub use pictures::Measurement;
pub use raw_comparison::{CurveFromRaw, CurvePoint, RawComparison, RawPair};
pub use report::{Failed, InputFile, NOT_A_PICTURE, Program, Report, SCHEMA, UnusedFile};
pub use saved_twice::{SavedTwice, SavedTwiceRow};
pub use scene::{
    Advice, AdvisedFrame, BestFrame, BracketReach, Criterion, Histogram, Scene, SharesAtSnr,
};
pub use standing::{NotRanked, RankedFigure, RankedPicture, Standing, Undecided};
pub use wedge_place::{CONFIDENT, UnitCell, WedgePlace};
pub use without_bracket::{LinearLight, LonePicture, Tint, WithoutBracket};
