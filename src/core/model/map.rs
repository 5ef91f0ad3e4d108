//! The radiance map: value, statistical and systematic uncertainty, flags.
use super::main_channel;
use crate::units::Primaries;
use ndarray::{Array2, Array3, ArrayView2, Axis};

/// Bits of the flags plane.
pub mod flag {
    /// Clipped in every frame: the value is a lower bound.
    pub const CLIPPED_IN_ALL: u16 = 1;
    /// Below the noise (SNR < 1) in every frame; the value is an estimate that may be near zero or negative.
    pub const DARK_IN_ALL: u16 = 2;
    /// At least one frame was left out here because it is (predicted to be) clipped.
    pub const CLIPPED_IN_SOME: u16 = 4;
    /// Only one frame contributes.
    pub const ONE_FRAME: u16 = 8;
    /// No other frame covers this place after registration.
    pub const UNCOVERED: u16 = 16;
    /// Something moved here: frames were left out.
    pub const MOVED: u16 = 32;
    /// The reference frame is clipped where something moved: another frame's light, of its own moment, stands here.
    pub const OTHER_MOMENT: u16 = 64;
    /// The index of the frame with the largest weight sits in the bits from here up (bits 8..=15).
    pub const FRAME_SHIFT: u32 = 8;
}

/// Relative scene radiance in the reference frame's geometry, with what is known of its uncertainty.
///
/// Radiance is linear and relative: 1.0 is what just clips the reference frame's channel. No element is NaN.
#[derive(Debug, Clone, PartialEq)]
pub struct RadianceMap {
    /// Radiance, shape (rows, columns, channels).
    pub radiance: Array3<f32>,
    /// Standard uncertainty from noise, same unit and shape; averages down over a patch.
    pub statistical: Array3<f32>,
    /// Relative standard uncertainty from response and exposure ratios (dimensionless); does not average down.
    pub systematic: Array3<f32>,
    /// Flags, shape (rows, columns); see [`flag`].
    pub flags: Array2<u16>,
    /// What red, green and blue are; of no meaning for a map of one channel.
    pub primaries: Primaries,
}

impl RadianceMap {
    /// A map of radiance alone: uncertainties and flags of 0.
    pub fn of_radiance(radiance: Array3<f32>, primaries: Primaries) -> Self {
        let (rows, columns, _) = radiance.dim();
        RadianceMap {
            statistical: Array3::zeros(radiance.dim()),
            systematic: Array3::zeros(radiance.dim()),
            flags: Array2::zeros((rows, columns)),
            primaries,
            radiance,
        }
    }

    /// Radiance of the [`main_channel`]: green, or the only one.
    pub fn main_channel(&self) -> ArrayView2<'_, f32> {
        let channel = main_channel(self.radiance.dim().2);
        self.radiance.index_axis(Axis(2), channel)
    }

    /// Share of pixels (0..=1) with any of the given flag bits.
    pub fn share(&self, bits: u16) -> f64 {
        let hits = self.flags.iter().filter(|&&f| f & bits != 0).count();
        hits as f64 / self.flags.len().max(1) as f64
    }
}
