//! The wedge with corners given, in reading order: words of the user, densities from a file, a wedge kept in a file, the cells of the grid, what a patch holds, the noise in it, whether the grid stated fits the patches (`stated_grid`).
mod cells;
mod interior;
mod kept;
mod noise;
mod patch;
mod stated_grid;
mod table;
mod words;

pub use cells::{check, interior_of, place};
pub use kept::KeptWedge;
pub use patch::{BlockSum, PatchSample, patches};
pub(crate) use patch::{LARGEST_RATIO, evened, ratio};
pub use stated_grid::steps_within;
pub use table::{Densities, read_densities};
pub use words::{parse_corners, parse_densities, parse_grid};
