//! The wedge with corners given, in reading order: densities as text, densities from a file, a wedge kept in a file, the cells of the grid, what a patch holds, the noise in it, whether the grid stated fits the patches (`stated_grid`).
mod cells;
mod density_list;
mod interior;
mod kept;
mod noise;
mod patch;
mod stated_grid;
mod table;

pub use cells::{check, interior_of, place};
pub use density_list::{MOST_STEPS, numbers, parse_densities};
pub use kept::KeptWedge;
pub use patch::{BlockSum, PatchSample, patches};
pub(crate) use patch::{LARGEST_RATIO, evened, ratio};
pub use stated_grid::steps_within;
pub use table::{Densities, read_densities};
