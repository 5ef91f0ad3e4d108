//! Bracket + response -> [`RadianceMap`]: noise from the bracket itself, inverse-variance weights, uncertainty, flags.
mod map;
pub mod store;

pub use map::{RadianceMap, flag};
