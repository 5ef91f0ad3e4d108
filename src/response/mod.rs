//! [`Bracket`](crate::frames::Bracket) -> [`ResponseCurve`] per channel, exposure ratios, how well it fits.
//!
//! In reading order: [`curve`](ResponseCurve) the result; `blocks` the samples; `smooth_table` the default estimator with
//! `gamma_basis` under it; `ratios` exposures measured from pixels; `recover` chooses and decides.
mod blocks;
mod curve;
mod gamma_basis;
mod ratios;
mod recover;
mod smooth_table;

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
