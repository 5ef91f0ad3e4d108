//! Bracket -> bracket in register, without knowing exposures or response.
//!
//! In reading order: luma made small and independent of exposure by ranks (`signal`); a shift and a turn, coarse to fine
//! (`refine`), from identity or, for large drifts, from a phase-correlation search (`search`); the intensity map between
//! two frames (`intensity`); tiles at full resolution (`tiles`, `tile`, from `patch`es by a fine `kernel`); the simplest motion they support (`model`); the
//! order of it all and the verdict ([`register`]); putting it to use ([`apply`], [`warp`]).
mod apply;
mod intensity;
mod kernel;
mod model;
mod patch;
mod refine;
mod register;
mod search;
mod signal;
mod tile;
mod tiles;

pub use apply::{apply, warp};
pub use model::MotionModel;
pub use register::{Placement, Registration, TileResidual, register};
