//! What a merge sums over the frames, sixteen columns of one channel at a time: plain loops over arrays that stay in vectors.
use super::map::flag;
use super::sampling::CLIPPED;
use super::weights::{Weights, cell};
use smallvec::SmallVec;

/// Columns that are summed together.
const LANES: usize = 16;

/// The same columns of one channel of every frame.
pub(super) struct Frames<'s> {
    /// Radiance by frame.
    pub(super) samples: SmallVec<[&'s [f32]; 8]>,
    /// What interpolation leaves of the noise variance, by frame; empty where every frame is read as it is.
    pub(super) energy: SmallVec<[&'s [f32]; 8]>,
}

impl Frames<'_> {
    /// Radiance of every frame in one column.
    #[inline(always)]
    pub(super) fn at(&self, column: usize) -> impl Iterator<Item = f32> + Clone {
        self.samples.iter().map(move |f| f[column])
    }
}

/// Merged columns of one channel.
#[derive(Default)]
pub(super) struct Sums {
    /// Cell of the first estimate.
    pub(super) cell: Vec<u16>,
    /// Merged radiance.
    pub(super) radiance: Vec<f32>,
    /// Its standard uncertainty from noise.
    pub(super) statistical: Vec<f32>,
    /// Its relative systematic uncertainty.
    pub(super) systematic: Vec<f32>,
}

impl Sums {
    /// Merges all columns and adds to their flags. `first` are the weights of the first estimate, by frame; `without` gives radiance and
    /// uncertainty of a column where no frame has a weight.
    #[inline(always)]
    pub(super) fn merge(
        &mut self,
        frames: &Frames,
        (first, weights): (&[f32], &Weights),
        without: impl Fn(usize) -> (f32, f32),
        flags: &mut [u16],
    ) {
        let padded = flags.len().next_multiple_of(LANES);
        self.cell.resize(padded, 0);
        for out in [
            &mut self.radiance,
            &mut self.statistical,
            &mut self.systematic,
        ] {
            out.resize(padded, 0.0);
        }
        for at in (0..padded).step_by(LANES) {
            let part = Part::of(frames, at, (first, weights));
            let count = LANES.min(flags.len() - at);
            let part = part.with(count, |k| without(at + k));
            put(&mut self.cell, at, part.cell);
            put(&mut self.radiance, at, part.radiance);
            put(&mut self.statistical, at, part.statistical);
            put(&mut self.systematic, at, part.systematic(weights));
            part.add_flags(weights, &mut flags[at..at + count]);
        }
        self.cell.truncate(flags.len());
        self.radiance.truncate(flags.len());
        self.statistical.truncate(flags.len());
        self.systematic.truncate(flags.len());
    }
}

#[inline(always)]
fn put<T: Copy>(to: &mut [T], at: usize, values: [T; LANES]) {
    to[at..at + LANES].copy_from_slice(&values);
}

/// Columns from `at` on; beyond the end as if clipped.
#[inline(always)]
fn lanes(row: &[f32], at: usize) -> [f32; LANES] {
    let rest = &row[at..];
    rest.first_chunk().copied().unwrap_or_else(|| {
        let mut padded = [CLIPPED; LANES];
        padded[..rest.len()].copy_from_slice(rest);
        padded
    })
}

/// Some columns under work.
struct Part {
    cell: [u16; LANES],
    /// Weights of the first estimate of the frames that are not clipped.
    time: [f32; LANES],
    weight: [f32; LANES],
    /// Frames with a weight.
    used: [u32; LANES],
    flags: [u32; LANES],
    radiance: [f32; LANES],
    statistical: [f32; LANES],
}

impl Part {
    /// The first estimate over the frames that are not clipped, its cell, and the mean with the weights of that cell; no number
    /// where there is no weight.
    #[inline(always)]
    fn of(frames: &Frames, at: usize, (first, weights): (&[f32], &Weights)) -> Part {
        let (mut light, mut time) = ([0f32; LANES], [0f32; LANES]);
        let mut flags = [0u32; LANES];
        for (samples, &weight) in frames.samples.iter().zip(first) {
            let samples = lanes(samples, at);
            for k in 0..LANES {
                let good = samples[k] < CLIPPED;
                light[k] += if good { samples[k] * weight } else { 0.0 };
                time[k] += if good { weight } else { 0.0 };
                flags[k] |= when(samples[k] == CLIPPED, flag::CLIPPED_IN_SOME);
            }
        }
        let mut cells = [0u16; LANES];
        for k in 0..LANES {
            cells[k] = cell(light[k] / time[k]) as u16;
        }
        let (mut sum, mut weight) = ([0f32; LANES], [0f32; LANES]);
        let mut used = [0u32; LANES];
        for (j, samples) in frames.samples.iter().enumerate() {
            let samples = lanes(samples, at);
            let mut own = weights.of_frame(j).look_up(&cells);
            if let Some(energy) = frames.energy.get(j) {
                let energy = lanes(energy, at);
                for k in 0..LANES {
                    own[k] /= energy[k];
                }
            }
            for k in 0..LANES {
                let good = samples[k] < CLIPPED;
                sum[k] += if good { own[k] * samples[k] } else { 0.0 };
                weight[k] += if good { own[k] } else { 0.0 };
                used[k] += u32::from(good & (own[k] > 0.0));
                flags[k] |= when(samples[k].is_nan(), flag::UNCOVERED);
            }
        }
        let (mut radiance, mut statistical) = ([0f32; LANES], [0f32; LANES]);
        for k in 0..LANES {
            radiance[k] = sum[k] / weight[k];
            statistical[k] = 1.0 / weight[k].sqrt();
        }
        Part {
            cell: cells,
            time,
            weight,
            used,
            flags,
            radiance,
            statistical,
        }
    }

    /// The first `count` columns with what `without` gives where there is no weight.
    #[inline(always)]
    fn with(mut self, count: usize, without: impl Fn(usize) -> (f32, f32)) -> Part {
        // Counted first, which is quick: there are none nearly everywhere.
        let none = self.weight.iter().filter(|w| **w <= 0.0).count();
        for k in 0..if none > 0 { count } else { 0 } {
            if self.weight[k] <= 0.0 {
                (self.radiance[k], self.statistical[k]) = without(k);
            }
        }
        self
    }

    /// Relative systematic uncertainty: 1 where every frame is clipped.
    #[inline(always)]
    fn systematic(&self, weights: &Weights) -> [f32; LANES] {
        let mut out = weights.systematic().look_up(&self.cell);
        for k in 0..LANES {
            out[k] = if self.time[k] > 0.0 { out[k] } else { 1.0 };
        }
        out
    }

    /// Adds this channel's flags to a row's.
    #[inline(always)]
    fn add_flags(&self, weights: &Weights, row: &mut [u16]) {
        let clipping = weights.clipping().look_up(&self.cell);
        let mut flags = [0u32; LANES];
        for k in 0..LANES {
            // Where two frames are used, others cover this place.
            let kept = if self.used[k] == 1 {
                !0
            } else {
                !u32::from(flag::UNCOVERED)
            };
            let these = (self.flags[k] | clipping[k]) & kept
                | when(self.used[k] == 1, flag::ONE_FRAME)
                | when(self.radiance[k] < self.statistical[k], flag::DARK_IN_ALL);
            flags[k] = if self.time[k] == 0.0 {
                u32::from(flag::CLIPPED_IN_ALL)
            } else {
                these
            };
        }
        for (out, flags) in row.iter_mut().zip(flags) {
            let all = *out | flags as u16;
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
