//! [`Bracket`](crate::frames::Bracket) -> [`ResponseCurve`] per channel, exposure ratios, how well it fits.
//!
//! In reading order: [`curve`](ResponseCurve) the result; `blocks` the samples; `smooth_table` the default estimator with
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
mod unfitted;

pub use blocks::{BlockSamples, collect};
pub use curve::{Response, ResponseCurve, ResponseMethod};
pub use ratios::{Closure, ExposureCheck, PairRatio};
pub use recover::{Choice, Recovered, recover};

/// Relative linear exposure of an sRGB-encoded level, both 0..=1 (IEC 61966-2-1).
pub fn srgb_exposure(level: f64) -> f64 {
    if level <= 0.04045 {
        level / 12.92
    } else {
        ((level + 0.055) / 1.055).powf(2.4)
    }
}

/// sRGB-encoded level of a relative linear exposure, both 0..=1 (IEC 61966-2-1).
pub fn srgb_level(exposure: f64) -> f64 {
    if exposure <= 0.003_130_8 {
        12.92 * exposure
    } else {
        1.055 * exposure.powf(1.0 / 2.4) - 0.055
    }
}
