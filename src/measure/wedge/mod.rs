//! The wedge and its patches.
//!
//! In reading order: densities as text (`density_list`), densities from a file (`table`), a wedge saved in a file (`kept`),
//! the cells of the grid (`cells`), the pixels of a patch (`interior`), their noise (`noise`), the statistics of a patch
//! (`patch`), and whether the stated grid fits the patches (`stated_grid`).
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
