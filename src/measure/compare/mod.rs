//! The camera's own HDR picture against the merge and the single frames.
//!
//! In reading order: the comparison as a whole (`whole`), the picture registered to the reference frame (`overlay`),
//! statistics of both in cells (`cells`), the pictures together (`pictures`), means and medians over tiles with their
//! intervals (`tiled`), the tone curve and its residuals (`tone_curve`, `local_tone`, `visible`); then one file per
//! quantity: figures from the wedge (`side_by_side`), edges (`find_edges`, [`edge_response`], `edges`), texture
//! (`local_acutance`), noise (`flat_noise`), colour ([`lab()`], [`ciede2000`], `colour_shift`), ghosts (`disagreement`,
//! `ghosts`), double edges (`relative_spread`, `double_edges`), clipped and black pixels (`shares`).
mod cells;
mod colour_difference;
mod colour_shift;
mod disagreement;
mod double_edges;
pub mod edge_response;
mod edges;
mod find_edges;
mod flat_noise;
mod ghosts;
mod lab;
mod local_acutance;
mod local_tone;
mod overlay;
mod pictures;
mod relative_spread;
mod shares;
mod side_by_side;
mod tiled;
mod tone_curve;
mod visible;
mod whole;

pub use colour_difference::{Lab, ciede2000};
pub use lab::{D65, lab, xyz};
pub use whole::{ComparisonInput, compare};
