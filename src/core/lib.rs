//! The core: the nouns that stages hand to each other, the results they fill, and the arithmetic under both.
//!
//! In reading order: [`error`] and [`finding`] (what went wrong, what is in doubt), [`units`], [`statistics`], [`raster`] (pixels
//! in memory), [`model`] (what a stage takes and gives), [`results`] (what a report is made of).
#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]

pub mod error;
pub mod finding;
pub mod units;

pub mod statistics;

pub mod raster;

pub mod model;
pub mod results;

pub use error::{Error, Setting};

/// Name of the program, as files and reports give it.
pub const PROGRAM: &str = "stopspan";
/// Its version; every member of the workspace has the same.
pub const VERSION: &str = env!("CARGO_PKG_VERSION");
