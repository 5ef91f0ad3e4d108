//! Bracket + response -> [`RadianceMap`](stopspan_core::model::RadianceMap): noise from the bracket itself, inverse-variance weights, uncertainty, flags.
//!
//! In reading order: [`noise`] fits the noise model to `noise_windows`, and [`noise_profile`] compares it with what a raw file
//! states; `weights` are the tables of a merge; [`uncertainty`] corrects its uncertainties by what the frames disagree by; [`motion`] finds what moved; [`banding`] finds light that flickers down the
//! rows. `merger` is the merge itself, `channel` its tables of a channel: `scratch` its buffers, `sampling` the radiance of a row of every frame, `resample` that
//! of frames with a transform, `sums` the sums over the frames. `mosaic` makes full-colour maps of merged mosaic planes;
//! `working_space` converts a map to another RGB space; [`before_after`] merges a detail with and without registration.
#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]
pub mod banding;
pub mod before_after;
mod channel;
mod merger;
mod mosaic;
pub mod motion;
pub mod noise;
pub mod noise_profile;
mod noise_windows;
mod resample;
mod sampling;
mod scratch;
mod sums;
#[cfg(test)]
mod trial;
pub mod uncertainty;
mod weights;
mod working_space;

pub use merger::Merger;
pub use mosaic::MapSource;
pub use motion::MotionSettings;
pub use working_space::in_space;
