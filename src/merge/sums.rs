//! What a merge sums over the frames of one channel of a row, in plain loops that the compiler vectorises.
use super::sampling::CLIPPED;
use super::weights::{GROUP, Weights, cell};
use stopspan_core::model::flag;

/// Columns that are merged at a time: what is summed for them stays in the fastest memory.
pub(super) const PIECE: usize = 256;
/// Stands for samples of frames that are not there, whose weights are zero.
static NO_LIGHT: [f32; PIECE] = [0.0; PIECE];
/// Stands for the energy of frames that are read as they are.
static WHOLE: [f32; PIECE] = [1.0; PIECE];

/// What is summed over the frames of one channel of a row.
#[derive(Default)]
pub(super) struct Sums {
    /// Radiance of the frames that are not clipped, weighted for the first estimate.
    light: Vec<f32>,
    /// Their weights.
    pub(super) time: Vec<f32>,
    /// Cell of the quotient of the two.
    pub(super) cell: Vec<u16>,
    /// Weighted radiance.
    sum: Vec<f32>,
    /// Weights.
    pub(super) weight: Vec<f32>,
    /// Frames with a weight.
    used: Vec<u32>,
    /// Flags seen on the way; as wide as the other sums, so that loops over both are vectorised.
    flags: Vec<u32>,
    /// Weights of a group of frames, and what [`Weights::group`] has beside them.
    looked_up: Vec<[f32; GROUP + 1]>,
    /// What it has beside the first group: systematic uncertainties, negative where a frame is left out for clipping.
    beside: Vec<f32>,
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

impl Merged {
    /// Nothing yet, with room for so many samples.
    pub(super) fn with_capacity(samples: usize) -> Self {
        Merged {
            radiance: Vec::with_capacity(samples),
            statistical: Vec::with_capacity(samples),
            systematic: Vec::with_capacity(samples),
        }
    }

    /// The last columns, so many, of radiance, statistical and systematic uncertainty.
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

    /// Forgets all pieces.
    pub(super) fn clear(&mut self) {
        self.radiance.clear();
        self.statistical.clear();
        self.systematic.clear();
    }
}

/// Groups of rows of samples; `beyond` fills up the last.
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
    /// Weighted radiance and weights of the first estimate over the frames that are not clipped, and the cell of their quotient.
    #[inline(always)]
    pub(super) fn add_light<'s>(
        &mut self,
        frames: impl Iterator<Item = &'s [f32]>,
        columns: usize,
        weights: &[f32],
    ) {
        self.light.clear();
        self.light.resize(columns, 0.0);
        self.time.clear();
        self.time.resize(columns, 0.0);
        self.flags.clear();
        self.flags.resize(columns, 0);
        for ([a, b, c], weights) in groups(frames, &NO_LIGHT, columns).zip(weights.chunks(GROUP)) {
            let weight: [f32; GROUP] = std::array::from_fn(|k| weights.get(k).map_or(0.0, |w| *w));
            let samples = a.iter().zip(b).zip(c);
            let sums = self
                .light
                .iter_mut()
                .zip(&mut self.time)
                .zip(&mut self.flags);
            for (((&a, &b), &c), ((light, time), flags)) in samples.zip(sums) {
                // Kept apart from where they go, or each frame would be stored.
                let (mut of_light, mut of_time, mut seen) = (*light, *time, *flags);
                for (sample, weight) in [a, b, c].into_iter().zip(weight) {
                    let good = sample < CLIPPED;
                    of_light += if good { sample * weight } else { 0.0 };
                    of_time += if good { weight } else { 0.0 };
                    seen |= when(sample == CLIPPED, flag::CLIPPED_IN_SOME);
                }
                (*light, *time, *flags) = (of_light, of_time, seen);
            }
        }
        self.cell.clear();
        let quotients = self.light.iter().zip(&self.time);
        self.cell
            .extend(quotients.map(|(light, time)| cell(light / time) as u16));
    }

    /// Weighted radiance, weights and number of frames used, with the weights of each pixel's cell. `MOVED` says that some frames have an
    /// energy: what interpolation leaves of the noise variance.
    #[inline(always)]
    pub(super) fn add_weighted<'s, const MOVED: bool>(
        &mut self,
        frames: impl Iterator<Item = &'s [f32]>,
        weights: &Weights,
        energy: impl Iterator<Item = &'s [f32]>,
    ) {
        let columns = self.cell.len();
        self.sum.clear();
        self.sum.resize(columns, 0.0);
        self.weight.clear();
        self.weight.resize(columns, 0.0);
        self.used.clear();
        self.used.resize(columns, 0);
        let frames = groups(frames, &NO_LIGHT, columns).zip(groups(energy, &WHOLE, columns));
        for (group, ([a, b, c], [e, f, g])) in frames.enumerate() {
            let table = weights.group(group);
            self.looked_up.clear();
            self.looked_up
                .extend(self.cell.iter().map(|&cell| table.at(cell)));
            if group == 0 {
                self.beside.clear();
                self.beside.extend(self.looked_up.iter().map(|l| l[GROUP]));
            }
            let samples = a.iter().zip(b).zip(c).zip(e.iter().zip(f).zip(g));
            let sums = self.sum.iter_mut().zip(&mut self.weight);
            let sums = sums.zip(&mut self.used).zip(&mut self.flags);
            for (((((&a, &b), &c), ((&e, &f), &g)), looked_up), (((sum, total), used), flags)) in
                samples.zip(&self.looked_up).zip(sums)
            {
                let frames = [(a, e), (b, f), (c, g)].into_iter().zip(looked_up);
                let (mut of_sum, mut of_weight) = (*sum, *total);
                let (mut count, mut seen) = (*used, *flags);
                for ((sample, energy), &weight) in frames {
                    let weight = if MOVED { weight / energy } else { weight };
                    let good = sample < CLIPPED;
                    of_sum += if good { weight * sample } else { 0.0 };
                    of_weight += if good { weight } else { 0.0 };
                    count += u32::from(good & (weight > 0.0));
                    seen |= when(sample.is_nan(), flag::UNCOVERED);
                }
                (*sum, *total, *used, *flags) = (of_sum, of_weight, count, seen);
            }
        }
    }

    /// Puts mean radiance, its standard uncertainty from the weights (no number where there is no weight) and the relative
    /// systematic uncertainty (1 where every frame is clipped) behind what is merged.
    #[inline(always)]
    pub(super) fn conclude(&self, merged: &mut Merged) {
        let sums = self.sum.iter().zip(&self.weight);
        merged
            .radiance
            .extend(sums.map(|(sum, weight)| sum / weight));
        let weights = self.weight.iter();
        merged
            .statistical
            .extend(weights.map(|weight| 1.0 / weight.sqrt()));
        let both = self.beside.iter().zip(&self.time);
        let systematic =
            |(beside, &time): (&f32, &f32)| if time > 0.0 { beside.abs() } else { 1.0 };
        merged.systematic.extend(both.map(systematic));
    }

    /// Adds this channel's flags to a row's; call after the means.
    #[inline(always)]
    pub(super) fn add_flags(&mut self, radiance: &[f32], statistical: &[f32], row: &mut [u16]) {
        let seen = self.used.iter().zip(&self.time).zip(&self.beside);
        let means = radiance.iter().zip(statistical);
        for (flags, (((used, time), beside), (radiance, statistical))) in
            self.flags.iter_mut().zip(seen.zip(means))
        {
            // Where two frames are used, others cover this place.
            let kept = if *used == 1 {
                !0
            } else {
                !u32::from(flag::UNCOVERED)
            };
            let these = (*flags | when(beside.is_sign_negative(), flag::CLIPPED_IN_SOME)) & kept
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
