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
    /// Weights of one frame.
    looked_up: Vec<f32>,
    /// Flags by cell.
    clipping: Vec<u32>,
}

/// Merged columns of one channel, piece after piece.
#[derive(Default)]
pub(super) struct Merged {
    /// Radiance.
    pub(super) radiance: Vec<f32>,
    /// Its standard uncertainty from noise.
    pub(super) statistical: Vec<f32>,
    /// Its relative systematic uncertainty.
    pub(super) systematic: Vec<f32>,
}

/// The columns of a piece that is being merged.
pub(super) struct Piece<'a> {
    pub(super) radiance: &'a mut [f32],
    pub(super) statistical: &'a mut [f32],
    pub(super) systematic: &'a mut [f32],
}

impl Merged {
    /// Nothing yet, with room for so many samples.
    pub(super) fn with_capacity(samples: usize) -> Self {
        Merged {
            radiance: Vec::with_capacity(samples),
            statistical: Vec::with_capacity(samples),
            systematic: Vec::with_capacity(samples),
        }
    }

    /// A further piece.
    #[inline(always)]
    pub(super) fn piece(&mut self, columns: usize) -> Piece<'_> {
        Piece {
            radiance: grown(&mut self.radiance, columns),
            statistical: grown(&mut self.statistical, columns),
            systematic: grown(&mut self.systematic, columns),
        }
    }

    /// Forgets all pieces.
    pub(super) fn clear(&mut self) {
        self.radiance.clear();
        self.statistical.clear();
        self.systematic.clear();
    }
}

#[inline(always)]
fn grown(values: &mut Vec<f32>, by: usize) -> &mut [f32] {
    let first = values.len();
    values.resize(first + by, 0.0);
    &mut values[first..]
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
            self.looked_up.resize(columns, 0.0);
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
    pub(super) fn means(&self, piece: &mut Piece) {
        let sums = self.sum.iter().zip(&self.weight);
        let out = piece.radiance.iter_mut().zip(piece.statistical.iter_mut());
        for ((sum, weight), (radiance, statistical)) in sums.zip(out) {
            *radiance = sum / weight;
            *statistical = 1.0 / weight.sqrt();
        }
    }

    /// Relative systematic uncertainty: 1 where every frame is clipped.
    #[inline(always)]
    pub(super) fn systematics(&self, weights: &Weights, piece: &mut Piece) {
        weights.systematic().look_up(&self.cell, piece.systematic);
        for (systematic, time) in piece.systematic.iter_mut().zip(&self.time) {
            *systematic = if *time > 0.0 { *systematic } else { 1.0 };
        }
    }

    /// Adds this channel's flags to a row's; call after the means.
    #[inline(always)]
    pub(super) fn add_flags(&mut self, weights: &Weights, piece: &Piece, row: &mut [u16]) {
        self.clipping.resize(self.cell.len(), 0);
        weights.clipping().look_up(&self.cell, &mut self.clipping);
        let seen = self.used.iter().zip(&self.time).zip(&self.clipping);
        let means = piece.radiance.iter().zip(piece.statistical.iter());
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
