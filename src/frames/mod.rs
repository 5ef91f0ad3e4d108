//! Files -> [`Bracket`]: exposure from metadata, sorting a folder into brackets, clipping.
//!
//! In reading order: what a frame is; what the tags of one file say ([`exposure`]), what they mean among a bracket
//! ([`settle`], [`markings`]), what the user says about it ([`overrides`]).
mod bracket;
pub mod exposure;
pub mod markings;
pub mod overrides;
pub mod settle;

pub use bracket::{Bracket, Exposure, ExposureSource, Finished, Frame};
pub use exposure::{Judged, judge};
pub use overrides::{ExposureOverride, Overrides};
