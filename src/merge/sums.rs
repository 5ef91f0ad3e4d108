//! What a merge sums over the frames of one channel of a row, in plain loops that the compiler vectorises.
use super::map::flag;
use super::sampling::CLIPPED;
use super::weights::{Weights, cell};

/// What is summed over the frames of one channel of a row.
#[derive(Default)]
pub(super) struct Sums {
    /// Radiance of the frames that are not clipped, weighted for the first estimate.
    pub(super) light: Vec<f32>,
    /// Their weights.
    pub(super) time: Vec<f32>,
    /// Cell of the quotient of the two.
    pub(super) cell: Vec<u16>,
    /// Weighted radiance.
    pub(super) sum: Vec<f32>,
    /// Weights.
    pub(super) weight: Vec<f32>,
    /// Frames with a weight.
    used: Vec<u32>,
    /// Flags seen on the way; as wide as the other sums, so that loops over both are vectorised.
    flags: Vec<u32>,
    /// Merged radiance.
    pub(super) radiance: Vec<f32>,
    /// Its standard uncertainty from noise.
    pub(super) statistical: Vec<f32>,
    /// Its relative systematic uncertainty.
    pub(super) systematic: Vec<f32>,
    /// Weights of one frame.
    looked_up: Vec<f32>,
    /// Flags by cell.
    clipping: Vec<u32>,
}

impl Sums {
    /// Weighted radiance and weights of the first estimate over the frames that are not clipped, and the cell of their quotient.
    #[inline(always)]
    pub(super) fn add_light<'s>(
        &mut self,
        frames: impl Iterator<Item = &'s [f32]> + Clone,
        weights: &[f32],
    ) {
        let columns = frames.clone().next().map_or(0, <[f32]>::len);
        self.light.clear();
        self.light.resize(columns, 0.0);
        self.time.clear();
        self.time.resize(columns, 0.0);
        self.flags.clear();
        self.flags.resize(columns, 0);
        self.cell.resize(columns, 0);
        for (samples, &weight) in frames.zip(weights) {
            let sums = self
                .light
                .iter_mut()
                .zip(&mut self.time)
                .zip(&mut self.flags);
            for (&sample, ((light, time), flags)) in samples.iter().zip(sums) {
                let good = sample < CLIPPED;
                *light += if good { sample * weight } else { 0.0 };
                *time += if good { weight } else { 0.0 };
                *flags |= when(sample == CLIPPED, flag::CLIPPED_IN_SOME);
            }
        }
        for ((place, light), time) in self.cell.iter_mut().zip(&self.light).zip(&self.time) {
            *place = cell(light / time) as u16;
        }
    }

    /// Weighted radiance, weights and number of frames used, with the weights of each pixel's cell.
    #[inline(always)]
    pub(super) fn add_weighted<'s>(
        &mut self,
        frames: impl Iterator<Item = &'s [f32]> + Clone,
        weights: &Weights,
        mut energy: impl Iterator<Item = &'s [f32]>,
    ) {
        let columns = self.light.len();
        self.sum.clear();
        self.sum.resize(columns, 0.0);
        self.weight.clear();
        self.weight.resize(columns, 0.0);
        self.used.clear();
        self.used.resize(columns, 0);
        for (j, samples) in frames.enumerate() {
            weights.of_frame(j).look_up(&self.cell, &mut self.looked_up);
            if let Some(energy) = energy.next() {
                for (weight, energy) in self.looked_up.iter_mut().zip(energy) {
                    *weight /= energy;
                }
            }
            let sums = self
                .sum
                .iter_mut()
                .zip(&mut self.weight)
                .zip(&mut self.used)
                .zip(&mut self.flags);
            for ((&sample, &weight), (((sum, total), used), flags)) in
                samples.iter().zip(&self.looked_up).zip(sums)
            {
                let good = sample < CLIPPED;
                *sum += if good { weight * sample } else { 0.0 };
                *total += if good { weight } else { 0.0 };
                *used += u32::from(good & (weight > 0.0));
                *flags |= when(sample.is_nan(), flag::UNCOVERED);
            }
        }
    }

    /// Mean radiance and its standard uncertainty from the weights; no number where there is no weight.
    #[inline(always)]
    pub(super) fn means(&mut self) {
        self.radiance.resize(self.sum.len(), 0.0);
        self.statistical.resize(self.sum.len(), 0.0);
        let sums = self.sum.iter().zip(&self.weight);
        let out = self.radiance.iter_mut().zip(&mut self.statistical);
        for ((sum, weight), (radiance, statistical)) in sums.zip(out) {
            *radiance = sum / weight;
            *statistical = 1.0 / weight.sqrt();
        }
    }

    /// Relative systematic uncertainty: 1 where every frame is clipped.
    #[inline(always)]
    pub(super) fn systematics(&mut self, weights: &Weights) {
        weights
            .systematic()
            .look_up(&self.cell, &mut self.systematic);
        for (systematic, time) in self.systematic.iter_mut().zip(&self.time) {
            *systematic = if *time > 0.0 { *systematic } else { 1.0 };
        }
    }

    /// Adds this channel's flags to a row's; call after the means.
    #[inline(always)]
    pub(super) fn add_flags(&mut self, weights: &Weights, row: &mut [u16]) {
        weights.clipping().look_up(&self.cell, &mut self.clipping);
        let seen = self.used.iter().zip(&self.time).zip(&self.clipping);
        let means = self.radiance.iter().zip(&self.statistical);
        for (flags, (((used, time), clipping), (radiance, statistical))) in
            self.flags.iter_mut().zip(seen.zip(means))
        {
            // Where two frames are used, others cover this place.
            let kept = if *used == 1 {
                !0
            } else {
                !u32::from(flag::UNCOVERED)
            };
            let these = (*flags | *clipping) & kept
                | when(*used == 1, flag::ONE_FRAME)
                | when(radiance < statistical, flag::DARK_IN_ALL);
            *flags = if *time == 0.0 {
                u32::from(flag::CLIPPED_IN_ALL)
            } else {
                these
            };
        }
        for (out, flags) in row.iter_mut().zip(&self.flags) {
            let all = *out | *flags as u16;
            // Where frames are left out that is not for want of cover.
            let moved = (all & flag::MOVED) >> flag::MOVED.trailing_zeros();
            *out = all & !(flag::UNCOVERED * moved);
        }
    }
}

#[inline(always)]
fn when(so: bool, flag: u16) -> u32 {
    if so { u32::from(flag) } else { 0 }
}
