//! Bracket -> bracket in register, without knowing exposures or response.
//!
//! In reading order: luma made small and independent of exposure by ranks (`signal`); a shift and a turn, coarse to fine
//! (`refine`), from identity or, for large drifts, from a phase-correlation search (`search`); the intensity map between
//! two frames (`intensity`); tiles at full resolution (`tiles`, `tile`, `tile_sums`, looked for in a `source`, from `patch`es by a fine `kernel`); the simplest motion they support (`model`); the
//! order of it all and the verdict ([`register`]); a finished picture of another size (`other_scale`); putting it to use ([`apply`], [`warp`]).
#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]
mod apply;
mod camera_picture;
mod intensity;
mod kernel;
mod model;
mod other_scale;
mod patch;
mod refine;
mod register;
mod search;
mod signal;
mod source;
mod still;
mod tile;
mod tile_sums;
mod tiles;

pub use apply::{apply, warp};
pub use camera_picture::place_camera_picture;
pub use other_scale::place_at_any_scale;
pub use register::{in_register, register};
pub use still::lying_still;
