//! [`Bracket`](crate::frames::Bracket) -> [`ResponseCurve`] per channel, exposure ratios, how well it fits.
//!
//! In reading order: [`curve`](ResponseCurve) the result; `blocks` the samples, `steady` those of them where nothing moved; `smooth_table` the default estimator with
//! `gamma_basis` under it; the published methods [`least_squares_table`], [`alternating`] and [`polynomial`] on `pixels`,
//! run by `published`; `assemble` makes curves of tables; `unfitted` responses that are known; `ratios` exposures measured
//! from pixels; `refusal` says when there is too little; `recover` chooses and decides.
pub mod alternating;
mod assemble;
mod blocks;
mod curve;
mod gamma_basis;
pub mod least_squares_table;
mod pixels;
pub mod polynomial;
mod published;
mod ratios;
mod recover;
mod refusal;
mod smooth_table;
mod steady;
mod unfitted;

pub use blocks::{BlockSamples, collect};
pub use curve::{Response, ResponseCurve, ResponseMethod};
pub use ratios::{Closure, ExposureCheck, PairRatio};
pub use recover::{Choice, Recovered, recover};
