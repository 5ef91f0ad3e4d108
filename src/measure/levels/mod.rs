//! Steps resolved by each criterion.
//!
//! In reading order: CIE lightness (`lightness`), the grayscale standard display function (`display_function`),
//! neighbouring pairs by every criterion (`pairs`), the counts (`count`).
mod count;
mod display_function;
mod lightness;
mod pairs;

pub use count::{count, joined, joined_because};
pub use display_function::{jnd_index, luminance_of_jnd};
pub use lightness::lightness;
pub(crate) use pairs::{CLIPPED, CRUSHED};
pub use pairs::{Criteria, SEPARATION, pairs};
