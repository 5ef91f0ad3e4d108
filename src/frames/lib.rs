//! Picture files -> [`Bracket`](stopspan_core::model::Bracket): exposure from metadata, sorting a folder into brackets, decoding, clipping.
//!
//! In reading order: check that frames share a [`colour`] space; exposure from the tags of one file ([`exposure`])
//! and of a whole bracket ([`settle`], [`markings`]); what the user states ([`overrides`]); files among the inputs
//! (`listing`) and their assignment to brackets (`moment`, `camera_hdr`, `sequence`, `framing`, `joining`, `sorting`, `raw_pairing` for
//! shots saved as raw too); the [`survey()`] that results, as text in [`words()`]; [`load()`], with exposures from
//! pixels where none is known (`exposure_from_pixels`) and without constant borders (`borders`); one picture alone
//! ([`load_lone`]); the memory that pictures take ([`PlannedMemory`]); [`clipping`], with the floors that do
//! not fall with the exposure (`lasting_floor`).
//!
//! For raw and other linear frames: `raw_frames` (common white balance, colours and black level), `dark` (dark frame
//! subtraction), `raw_levels` (black and clip levels), `develop` (mosaics split or demosaiced), [`camera_colour`] and
//! [`temperature`].
#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]
pub mod colour;

pub mod exposure;
pub mod markings;
pub mod overrides;
pub mod settle;

mod camera_hdr;
mod framing;
mod joining;
mod lasting_floor;
mod listing;
mod moment;
mod names;
mod raw_pairing;
mod sequence;
mod sorting;

mod borders;
mod exposure_from_pixels;
mod load;
mod lone;
mod memory;
mod survey;
mod words;

pub mod clipping;

pub mod camera_colour;
mod dark;
mod develop;
mod raw_frames;
mod raw_levels;
pub mod temperature;

#[cfg(test)]
mod fixtures;

pub use clipping::clip_levels;
pub use develop::{develop, mosaic_of, samples, split};
pub use exposure::{ParsedExposure, parse_exposure};
pub use listing::{SkipReason, Skipped};
pub use load::load;
pub use lone::load_lone;
pub use memory::PlannedMemory;
pub use overrides::{ExposureOverride, Overrides};
pub use raw_levels::linear_scales;
pub use survey::{BracketPlan, Failed, FinishedPlan, FramePlan, Survey, survey};
pub use words::words;
