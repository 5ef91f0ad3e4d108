//! What a merge sums over the frames of one channel of a row, in plain loops that the compiler vectorises.
use super::map::flag;
use super::sampling::CLIPPED;
use super::weights::{Weights, cell};

/// What is summed over the frames of one channel of a row.
#[derive(Default)]
pub(super) struct Sums {
    /// Light of the frames that are not clipped.
    pub(super) light: Vec<f32>,
    /// Their relative exposures.
    pub(super) time: Vec<f32>,
    /// Cell of the quotient of the two.
    pub(super) cell: Vec<u16>,
    /// Weighted radiance.
    pub(super) sum: Vec<f32>,
    /// Weights.
    pub(super) weight: Vec<f32>,
    /// Frames with a weight.
    pub(super) used: Vec<u16>,
    /// Flags seen on the way.
    pub(super) flags: Vec<u16>,
}

impl Sums {
    /// Light and time over the frames that are not clipped, and the cell of their quotient.
    pub(super) fn add_light<'s>(
        &mut self,
        frames: impl Iterator<Item = &'s [f32]> + Clone,
        factors: &[f32],
    ) {
        let columns = frames.clone().next().map_or(0, <[f32]>::len);
        self.light.clear();
        self.light.resize(columns, 0.0);
        self.time.clear();
        self.time.resize(columns, 0.0);
        self.flags.clear();
        self.flags.resize(columns, 0);
        self.cell.resize(columns, 0);
        for (samples, &factor) in frames.zip(factors) {
            let sums = self
                .light
                .iter_mut()
                .zip(&mut self.time)
                .zip(&mut self.flags);
            for (&sample, ((light, time), flags)) in samples.iter().zip(sums) {
                let good = sample < CLIPPED;
                *light += if good { sample * factor } else { 0.0 };
                *time += if good { factor } else { 0.0 };
                *flags |= if sample == CLIPPED {
                    flag::CLIPPED_IN_SOME
                } else {
                    0
                };
            }
        }
        for ((place, light), time) in self.cell.iter_mut().zip(&self.light).zip(&self.time) {
            *place = cell(light / time) as u16;
        }
    }

    /// Weighted radiance, weights and number of frames used, with the weights of each pixel's cell.
    pub(super) fn add_weighted<'s>(
        &mut self,
        frames: impl Iterator<Item = &'s [f32]> + Clone,
        weights: &Weights,
        energy: &[Vec<f32>],
    ) {
        let columns = self.light.len();
        self.sum.clear();
        self.sum.resize(columns, 0.0);
        self.weight.clear();
        self.weight.resize(columns, 0.0);
        self.used.clear();
        self.used.resize(columns, 0);
        for (j, samples) in frames.enumerate() {
            let table = weights.of_frame(j);
            let sums = self
                .sum
                .iter_mut()
                .zip(&mut self.weight)
                .zip(&mut self.used);
            for (column, ((&sample, &place), ((sum, total), used))) in
                samples.iter().zip(&self.cell).zip(sums).enumerate()
            {
                let good = sample < CLIPPED;
                let mut weight = if good { table[usize::from(place)] } else { 0.0 };
                if let Some(energy) = energy.get(j) {
                    weight /= energy[column];
                }
                *sum += if good { weight * sample } else { 0.0 };
                *total += weight;
                *used += u16::from(weight > 0.0);
                if sample.is_nan() {
                    self.flags[column] |= flag::UNCOVERED;
                }
            }
        }
    }
}
