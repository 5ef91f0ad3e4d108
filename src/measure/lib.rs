//! Wedge location, patches, resolved levels, usable range, comparison of finished pictures.
//!
//! In reading order: the picture prepared for measurement ([`Subject`]), the sources of a bracket's pictures (`sources`),
//! the curve of a finished picture (`oecf`), finding a wedge ([`find`]), the wedge to be measured (`locate`), the wedge and
//! its patches ([`wedge`]), stated against measured densities (`densities`), order and number of patches (`misstated`), resolved levels ([`levels`]), the usable range
//! ([`range`]), calibration against known densities ([`calibrate`]), the measurement of one picture (`picture`) and of a
//! bracket (`bracket`), the camera's HDR picture against the merge ([`compare`]), figures withheld (`withheld`), a picture without a bracket
//! ([`lone`]), finished frames against raw files of the
//! same shots (`raw_comparison`), shots of several cameras at the same places (`shots`, and `even_places` without a wedge), and range, best frame and smallest sufficient bracket of a scene without a wedge
//! ([`bracket_planning`]).
#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]
mod bracket;
pub mod bracket_planning;
pub mod calibrate;
pub mod compare;
mod densities;
mod even_places;
pub mod find;
pub mod levels;
mod locate;
pub mod lone;
mod misstated;
mod oecf;
mod picture;
pub mod range;
mod raw_comparison;
mod shots;
mod sources;
mod subject;
pub mod wedge;
mod withheld;

pub use bracket::measure_bracket;
pub use densities::{disagreement, doubt};
pub use even_places::{EvenPlace, even_places, measure_at};
pub use locate::{Located, WedgeRequest, locate};
pub use oecf::{against_merge, srgb_curve, srgb_to_linear};
pub use picture::{MeasureSettings, measure};
pub use raw_comparison::{RawBracket, compare_with_raw};
pub use shots::{Place, Shot, compare_shots};
pub use subject::{CurveEnd, Source, Subject};
