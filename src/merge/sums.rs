//! Weighted sums over the frames for one channel of a row, in loops that the compiler vectorises.
use super::sampling::{CLIPPED, NO_VALUE};
use super::uncertainty::Room;
use super::weights::{GROUP, Weights, cell};
use stopspan_core::model::flag;

/// Columns merged together; their sums stay in the cache.
pub(super) const PIECE: usize = 256;
/// Samples in place of the missing frames of the last group; their weights are 0.
static NO_LIGHT: [f32; PIECE] = [0.0; PIECE];
/// Noise gain of frames that need no resampling: 1.
static UNIT_GAIN: [f32; PIECE] = [1.0; PIECE];

/// Accumulators over the frames, one element per column.
#[derive(Default)]
pub(super) struct Sums {
    /// Sum of radiance times the weight of the first estimate, over unclipped frames.
    first_sum: Vec<f32>,
    /// Sum of these weights.
    pub(super) first_weight: Vec<f32>,
    /// Table cell of the first estimate.
    pub(super) cell: Vec<u16>,
    /// Sum of radiance times weight.
    sum: Vec<f32>,
    /// Sum of weights.
    pub(super) weight: Vec<f32>,
    /// Number of frames with a weight.
    used: Vec<u32>,
    /// Flags found while summing; as wide as the other accumulators, so that loops over both are vectorised.
    flags: Vec<u32>,
    /// Entries of [`Weights::group`] for the current group of frames.
    table_entries: Vec<[f32; GROUP + 1]>,
    /// Relative systematic uncertainty; the sign bit marks that a frame was predicted to clip.
    systematic: Vec<f32>,
    /// Number of frames that are clipped; see [`Self::count_clipped`].
    pub(super) clipped: Vec<u32>,
    /// For corrections of uncertainties.
    pub(super) room: Room,
}

/// Merged columns of one channel, in the order of merging.
#[derive(Default)]
pub(super) struct Merged {
    /// Radiance.
    pub(super) radiance: Vec<f32>,
    /// Its standard uncertainty from noise; its variance until that is corrected.
    pub(super) statistical: Vec<f32>,
    /// Its relative systematic uncertainty.
    pub(super) systematic: Vec<f32>,
}

impl Merged {
    /// No columns, with room for `samples`.
    pub(super) fn with_capacity(samples: usize) -> Self {
        Merged {
            radiance: Vec::with_capacity(samples),
            statistical: Vec::with_capacity(samples),
            systematic: Vec::with_capacity(samples),
        }
    }

    /// The last `columns` of radiance, statistical and systematic uncertainty.
    #[inline(always)]
    pub(super) fn last(&mut self, columns: usize) -> [&mut [f32]; 3] {
        [
            &mut self.radiance,
            &mut self.statistical,
            &mut self.systematic,
        ]
        .map(|values| {
            let first = values.len() - columns;
            &mut values[first..]
        })
    }

    /// Removes all columns.
    pub(super) fn clear(&mut self) {
        self.radiance.clear();
        self.statistical.clear();
        self.systematic.clear();
    }
}

/// Rows of samples in groups of [`GROUP`]; missing and empty rows are replaced by `beyond`.
#[inline(always)]
fn groups<'s>(
    mut rows: impl Iterator<Item = &'s [f32]>,
    beyond: &'static [f32; PIECE],
    columns: usize,
) -> impl Iterator<Item = [&'s [f32]; GROUP]> {
    std::iter::from_fn(move || {
        let first = rows.next()?;
        let group = [Some(first), rows.next(), rows.next()];
        Some(group.map(|row| match row {
            Some(row) if !row.is_empty() => row,
            _ => &beyond[..columns],
        }))
    })
}

impl Sums {
    /// Computes the first estimate of radiance over the unclipped frames, as a table cell. `weights` has one entry a frame.
    #[inline(always)]
    pub(super) fn estimate<'s>(
        &mut self,
        frames: impl Iterator<Item = &'s [f32]>,
        columns: usize,
        weights: &[f32],
    ) {
        self.first_sum.clear();
        self.first_sum.resize(columns, 0.0);
        self.first_weight.clear();
        self.first_weight.resize(columns, 0.0);
        self.flags.clear();
        self.flags.resize(columns, 0);
        for ([a, b, c], weights) in groups(frames, &NO_LIGHT, columns).zip(weights.chunks(GROUP)) {
            let weight: [f32; GROUP] = std::array::from_fn(|k| weights.get(k).map_or(0.0, |w| *w));
            let samples = a.iter().zip(b).zip(c);
            let sums = self
                .first_sum
                .iter_mut()
                .zip(&mut self.first_weight)
                .zip(&mut self.flags);
            for (((&a, &b), &c), ((light, time), flags)) in samples.zip(sums) {
                // Local copies, or every frame's sums would be stored to memory.
                let (mut of_light, mut of_time, mut seen) = (*light, *time, *flags);
                for (sample, weight) in [a, b, c].into_iter().zip(weight) {
                    let good = sample < NO_VALUE;
                    of_light += if good { sample * weight } else { 0.0 };
                    of_time += if good { weight } else { 0.0 };
                    seen |= when(sample >= NO_VALUE, flag::CLIPPED_IN_SOME);
                }
                (*light, *time, *flags) = (of_light, of_time, seen);
            }
        }
        self.cell.clear();
        let quotients = self.first_sum.iter().zip(&self.first_weight);
        self.cell
            .extend(quotients.map(|(light, time)| cell(light / time) as u16));
    }

    /// Sums radiance, weights and number of frames used, with the weights of each pixel's cell.
    ///
    /// `noise_gain` is the factor by which resampling changes the noise variance, empty for frames that need none;
    /// `RESAMPLED` is true if any frame has one.
    #[inline(always)]
    pub(super) fn add_weighted<'s, const RESAMPLED: bool>(
        &mut self,
        frames: impl Iterator<Item = &'s [f32]>,
        weights: &Weights,
        noise_gain: impl Iterator<Item = &'s [f32]>,
    ) {
        let columns = self.cell.len();
        self.sum.clear();
        self.sum.resize(columns, 0.0);
        self.weight.clear();
        self.weight.resize(columns, 0.0);
        self.used.clear();
        self.used.resize(columns, 0);
        let frames =
            groups(frames, &NO_LIGHT, columns).zip(groups(noise_gain, &UNIT_GAIN, columns));
        for (group, ([a, b, c], [e, f, g])) in frames.enumerate() {
            let table = weights.group(group);
            self.table_entries.clear();
            self.table_entries
                .extend(self.cell.iter().map(|&cell| table.at(cell)));
            if group == 0 {
                self.systematic.clear();
                self.systematic
                    .extend(self.table_entries.iter().map(|l| l[GROUP]));
            }
            let samples = a.iter().zip(b).zip(c).zip(e.iter().zip(f).zip(g));
            let sums = self.sum.iter_mut().zip(&mut self.weight);
            let sums = sums.zip(&mut self.used).zip(&mut self.flags);
            for (((((&a, &b), &c), ((&e, &f), &g)), entry), (((sum, total), used), flags)) in
                samples.zip(&self.table_entries).zip(sums)
            {
                let frames = [(a, e), (b, f), (c, g)].into_iter().zip(entry);
                let (mut of_sum, mut of_weight) = (*sum, *total);
                let (mut count, mut seen) = (*used, *flags);
                for ((sample, noise_gain), &weight) in frames {
                    let weight = if RESAMPLED {
                        weight / noise_gain
                    } else {
                        weight
                    };
                    let good = sample < NO_VALUE;
                    of_sum += if good { weight * sample } else { 0.0 };
                    of_weight += if good { weight } else { 0.0 };
                    count += u32::from(good & (weight > 0.0));
                    seen |= when(sample.is_nan(), flag::UNCOVERED);
                }
                (*sum, *total, *used, *flags) = (of_sum, of_weight, count, seen);
            }
        }
    }

    /// Appends mean radiance (NaN where no frame has a weight), its variance from the weights (then infinite) and
    /// the relative systematic uncertainty (1 where every frame is clipped) to the merged columns.
    #[inline(always)]
    pub(super) fn conclude(&self, merged: &mut Merged) {
        let sums = self.sum.iter().zip(&self.weight);
        merged
            .radiance
            .extend(sums.map(|(sum, weight)| sum / weight));
        let weights = self.weight.iter();
        merged
            .statistical
            .extend(weights.map(|weight| 1.0 / weight));
        let both = self.systematic.iter().zip(&self.first_weight);
        let systematic =
            |(value, &weight): (&f32, &f32)| if weight > 0.0 { value.abs() } else { 1.0 };
        merged.systematic.extend(both.map(systematic));
    }

    /// Counts the frames whose sample is clipped, column by column.
    #[inline(always)]
    pub(super) fn count_clipped<'s>(&mut self, frames: impl Iterator<Item = &'s [f32]>) {
        self.clipped.clear();
        self.clipped.resize(self.cell.len(), 0);
        for frame in frames {
            for (count, &sample) in self.clipped.iter_mut().zip(frame) {
                *count += u32::from(sample == CLIPPED);
            }
        }
    }

    /// Adds this channel's flags to those of the row, from the radiance and statistical uncertainty concluded.
    #[inline(always)]
    pub(super) fn add_flags(&mut self, radiance: &[f32], statistical: &[f32], row: &mut [u16]) {
        let seen = self.used.iter().zip(&self.first_weight);
        let seen = seen.zip(&self.systematic);
        let means = radiance.iter().zip(statistical);
        for (flags, (((used, weight), systematic), (radiance, statistical))) in
            self.flags.iter_mut().zip(seen.zip(means))
        {
            // Missing coverage matters only where a single frame is used.
            let kept = if *used == 1 {
                !0
            } else {
                !u32::from(flag::UNCOVERED)
            };
            let these = (*flags | when(systematic.is_sign_negative(), flag::CLIPPED_IN_SOME))
                & kept
                | when(*used == 1, flag::ONE_FRAME)
                | when(radiance < statistical, flag::DARK_IN_ALL);
            *flags = if *weight == 0.0 {
                let clipped = *flags & u32::from(flag::CLIPPED_IN_SOME) != 0;
                u32::from(flag::CLIPPED_IN_ALL) | when(!clipped, flag::UNCOVERED)
            } else {
                these
            };
        }
        for (out, flags) in row.iter_mut().zip(&self.flags) {
            let all = *out | *flags as u16;
            // Samples excluded for motion are NaN as well: these are not uncovered.
            let moved = (all & flag::MOVED) >> flag::MOVED.trailing_zeros();
            *out = all & !(flag::UNCOVERED * moved);
        }
    }
}

/// The flag if `so`, else 0.
#[inline(always)]
fn when(so: bool, flag: u16) -> u32 {
    if so { u32::from(flag) } else { 0 }
}
