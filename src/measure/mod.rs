//! Wedge location, patches, resolved levels, usable range, comparison of finished pictures.
//!
//! In reading order: the results, plane geometry, the picture made ready ([`Subject`]), the curve of a finished picture
//! (`oecf`), finding a wedge ([`find`]), the wedge and its patches ([`wedge`]), stated against seen densities, the levels told
//! apart ([`levels`]), the usable range ([`range`]), what known densities say of span, glare and light ([`calibrate`]), the
//! measurement that puts them together (`picture`), finished frames held against raw ones of the same shots (`raw_beside`), and what a bracket holds of a scene without a wedge ([`advice`]).
pub mod advice;
pub mod calibrate;
pub mod compare;
mod densities;
pub mod find;
mod geometry;
pub mod levels;
mod oecf;
mod picture;
pub mod range;
mod raw_beside;
mod result;
mod subject;
pub mod wedge;

pub use densities::{disagreement, doubt};
pub use geometry::{Homography, UNIT_SQUARE};
pub use oecf::{against_merge, srgb_curve, srgb_to_linear};
pub use picture::{MeasureSettings, measure};
pub use range::{BracketGain, NoiseModel};
pub use raw_beside::{CurvePoint, CurveThroughRaw, RawBeside, RawPair, raw_beside};
pub use result::{
    DecidingQuantity, JoinReason, Joined, JoinedBecause, LevelCounts, Limit, NormalisedStops, Pair,
    Patch, PictureKind, PictureMeasurement, UsableStops, VisualWhite, WedgePlace,
};
pub use subject::{Source, Subject};
