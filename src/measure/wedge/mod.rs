//! The wedge with corners given, in reading order: words of the user, the cells of the grid, what a patch holds, the noise in it.
mod cells;
mod interior;
mod noise;
mod patch;
mod words;

pub use cells::{check, interior_of, place};
pub use patch::{BlockSum, PatchSample, patches};
pub(crate) use patch::{LARGEST_RATIO, ratio};
pub use words::{parse_corners, parse_densities, parse_grid};
