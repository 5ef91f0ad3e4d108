//! Registration of the frames of a bracket, for unknown exposures and response curve.
//!
//! In reading order: reduced luma, and its ranks, which do not depend on exposure (`signal`); coarse-to-fine estimation of shift,
//! rotation and scale (`refine`), from the identity or, for large displacements, from a phase-correlation search (`search`); the relation
//! of the levels of two frames (`intensity`); tiles at full resolution: their choice (`tiles`), the search for one (`tile`, with its
//! sums in `tile_sums`), and the samples it needs (`patch`, `source`, `kernel`); the simplest motion model that describes the tiles
//! (`model`); the identity in its place, where that explains the frames as well (`identity`); the order of these steps and the
//! criteria of acceptance (`pair`); what contradicts a placement (`structure`); all frames of a bracket ([`register`]); raw frames without displacement (`stationary`); a finished picture of another size (`other_scale`) and the camera's own HDR picture (`camera_picture`); pictures of one subject by different cameras (`views`);
//! application of the result ([`apply`], [`warp`]).
#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]
mod apply;
mod camera_picture;
mod identity;
mod intensity;
mod kernel;
mod model;
mod other_scale;
mod pair;
mod patch;
mod refine;
mod register;
mod search;
mod signal;
mod source;
mod stationary;
mod structure;
mod tile;
mod tile_sums;
mod tiles;
mod views;

pub use apply::{apply, warp};
pub use camera_picture::locate_camera_picture;
pub use other_scale::locate_at_any_scale;
pub use register::{farthest_corner, in_register, register};
pub use stationary::register_stationary;
pub use views::{Carried, RegisteredViews, TooFewMatches, register_views};
