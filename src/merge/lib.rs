//! Bracket + response -> [`RadianceMap`]: noise from the bracket itself, inverse-variance weights, uncertainty, flags.
//!
//! In reading order: `map` the result, `planes` rows of it channel by channel; [`noise`] the noise model, `noise_windows` what it is fitted to, [`noise_profile`] what a raw file says of it; `weights` the tables of a merge; [`motion`] what moved; [`banding`] light that flickers down the rows; `merger` the merge
//! itself, with `rows` (scratch), `sampling` (radiance of a row of every frame), `moved` (of one that lies elsewhere) and `sums` under it; `mosaic` the merge of a raw mosaic's planes
//! made full-colour; [`store`] the map as a file; `open` one read back; `working_space` one in
//! another RGB space.
#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]
pub mod banding;
pub mod before_after;
mod merger;
mod mosaic;
pub mod motion;
mod moved;
pub mod noise;
pub mod noise_profile;
mod noise_windows;
mod rows;
mod sampling;
mod sums;
mod weights;
mod working_space;

pub use merger::Merger;
pub use mosaic::MapSource;
pub use motion::MotionSettings;
pub use working_space::in_space;
