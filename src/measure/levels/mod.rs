//! Which steps are told apart, and by which criterion, in reading order: visual scales (lightness, grayscale standard
//! display function), significance of means, the criteria together, the counts.
mod count;
mod display_function;
mod lightness;
mod pairs;

pub use count::{count, joined, joined_because};
pub use display_function::{jnd_index, luminance_of_jnd};
pub use lightness::lightness;
pub use pairs::{Criteria, SEPARATION, pairs};
