//! Wedge location, patches, resolved levels, usable range, comparison of finished pictures.
//!
//! In reading order: the results, plane geometry, the picture made ready ([`Subject`]), the curve of a finished picture
//! (`oecf`), finding a wedge ([`find`]), the wedge and its patches ([`wedge`]), stated against seen densities, the levels told
//! apart ([`levels`]), the usable range ([`range`]), what known densities say of span, glare and light ([`calibrate`]), the
//! measurement that puts them together (`picture`), finished frames held against raw ones of the same shots (`raw_comparison`), and what a bracket holds of a scene without a wedge ([`bracket_planning`]).
#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]
mod bracket;
pub mod bracket_planning;
pub mod calibrate;
pub mod compare;
mod densities;
pub mod find;
pub mod levels;
mod locate;
mod oecf;
mod picture;
pub mod range;
mod raw_comparison;
mod sources;
mod subject;
pub mod wedge;

pub use bracket::measure_bracket;
pub use densities::{disagreement, doubt};
pub use locate::{Located, WedgeRequest, locate};
pub use oecf::{against_merge, srgb_curve, srgb_to_linear};
pub use picture::{MeasureSettings, measure};
pub use raw_comparison::compare_with_raw;
pub use subject::{Source, Subject};
