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
    /// At least one frame is not used here because it is clipped, or predicted to be.
    pub const CLIPPED_IN_SOME: u16 = 4;
    /// Only one frame contributes.
    pub const ONE_FRAME: u16 = 8;
    /// No frame but the reference covers this place after registration.
    pub const UNCOVERED: u16 = 16;
    /// Something moved here: frames that show it elsewhere are not used.
    pub const MOVED: u16 = 32;
    /// Something moved here and the reference frame is clipped: the value is another frame's, of the moment that
    /// frame was taken.
    pub const OTHER_MOMENT: u16 = 64;
    /// First of the bits (8..=15) that give the index of the frame with the largest weight.
    pub const FRAME_SHIFT: u32 = 8;
}

/// Relative scene radiance in the reference frame's geometry, with its uncertainty.
///
/// Radiance is linear and relative: 1.0 just clips the reference frame's channel. No element is NaN.
#[derive(Debug, Clone, PartialEq)]
pub struct RadianceMap {
    /// Radiance, shape (rows, columns, channels).
    pub radiance: Array3<f32>,
    /// Standard uncertainty from noise, same unit and shape. Over a patch it averages down. In a map that was read to make a
    /// picture from it has one channel, that of the main one.
    pub statistical: Array3<f32>,
    /// Relative standard uncertainty from the response and the exposure ratios, dimensionless. It does not average
    /// down.
    pub systematic: Array3<f32>,
    /// Flags, shape (rows, columns); see [`flag`].
    pub flags: Array2<u16>,
    /// RGB primaries; without meaning for a map of one channel.
    pub primaries: Primaries,
}

impl RadianceMap {
    /// A map of radiance alone, with uncertainties and flags of 0.
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
    pub fn main_radiance(&self) -> ArrayView2<'_, f32> {
        let channel = main_channel(self.radiance.dim().2);
        self.radiance.index_axis(Axis(2), channel)
    }

    /// Share of pixels (0..=1) with at least one of the flags in `bits`.
    pub fn share(&self, bits: u16) -> f64 {
        let hits = self.flags.iter().filter(|&&f| f & bits != 0).count();
        hits as f64 / self.flags.len().max(1) as f64
    }
}
