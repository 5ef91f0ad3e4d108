//! Files -> [`Bracket`]: exposure from metadata, sorting a folder into brackets, decoding, clipping.
//!
//! In reading order: what a frame is, and its [`colour`] space; what the tags of one file say ([`exposure`]), what they mean among a bracket
//! ([`settle`], [`markings`]), what the user says about it ([`overrides`]); what lies in the inputs (`listing`,
//! `moment`, `camera_hdr`, `sequence`, `sorting`) and the [`survey()`] of it, in [`words()`]; [`load()`]; what the pixels say
//! about [`clipping`]. For raw and other linear frames: `raw_frames` (made alike), `raw_pairing` (saved beside finished pictures), `dark` (dark frames subtracted), `raw_levels` (what they are linear by), `develop` (mosaics laid
//! open), [`camera_colour`] with [`temperature`] under it.
#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]
pub mod colour;

pub mod exposure;
pub mod markings;
pub mod overrides;
pub mod settle;

mod camera_hdr;
mod listing;
mod moment;
mod sequence;
mod sorting;

mod exposure_from_pixels;
mod load;
mod survey;
mod words;

pub mod clipping;

pub mod camera_colour;
mod dark;
mod develop;
mod raw_frames;
mod raw_levels;
mod raw_pairing;
pub mod temperature;

#[cfg(test)]
mod fixtures;

pub use clipping::clip_levels;
pub use develop::{develop, mosaic_of, split};
pub use exposure::{ParsedExposure, judge};
pub use listing::{SkipReason, Skipped};
pub use load::load;
pub use overrides::{ExposureOverride, Overrides};
pub use raw_levels::linear_scales;
pub use survey::{BracketPlan, Failed, FinishedPlan, FramePlan, Survey, survey};
pub use words::words;
