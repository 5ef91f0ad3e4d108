//! Which blocks the table is fitted to in which frame, where on the table they lie and with what weight.
use super::NODES;
use super::spread::Spread;
use super::state::State;
use crate::blocks::{BlockSamples, QUIET_CODES};
use rayon::prelude::*;
use smallvec::SmallVec;

/// Lowest code predicted for a block to be used: below it the black end rectifies noise.
const LOWEST_CODE: f64 = 3.0;
/// Texture inside a block above this many stops makes its mean code depend on the curve's bend.
const TEXTURE_STOPS: f64 = 0.2;
/// Of the variance of a block's texture (stops^2), what is left in its log exposure after the correction for the bend.
const TEXTURE_LEAVES: f64 = 0.3;
/// Largest standard deviation inside a block, codes.
pub(super) const TEXTURE_CODES: f64 = QUIET_CODES;
/// What compression, rounding and texture leave in the mean of any number of blocks of one level and frame, codes.
const COMMON_CODES: f64 = 0.05;
/// Codes over which that is the same.
const COMMON_RANGE: usize = 8;
/// Blocks that one thread looks at together.
const TOGETHER: usize = 1024;

/// One sample's part in one frame.
#[derive(Clone, Copy)]
pub(super) struct Sighting {
    frame: u16,
    node: u16,
    fraction: f32,
    pub weight: f64,
}

impl Sighting {
    /// Index of the frame.
    #[inline]
    pub(super) fn frame(&self) -> usize {
        self.frame.into()
    }

    /// Table entry at or below the block's code, 0..=254.
    #[inline]
    pub(super) fn node(&self) -> usize {
        self.node.into()
    }

    /// How far the block's code lies on the way to the next entry, 0..1.
    #[inline]
    pub(super) fn fraction(&self) -> f64 {
        self.fraction.into()
    }

    /// The block's code.
    #[inline]
    pub(super) fn code(&self) -> f64 {
        f64::from(self.node) + self.fraction()
    }
}

/// The sightings of all blocks that at least two frames see, block behind block.
pub(super) struct Sightings {
    all: Vec<Sighting>,
    /// Where each block's end.
    ends: Vec<usize>,
}

impl Sightings {
    /// Number of blocks.
    pub(super) fn len(&self) -> usize {
        self.ends.len()
    }

    /// All of them.
    pub(super) fn all(&self) -> &[Sighting] {
        &self.all
    }

    /// The sightings of one block after another.
    pub(super) fn blocks(&self) -> impl Iterator<Item = &[Sighting]> {
        let mut first = 0;
        self.ends.iter().map(move |&end| {
            let block = &self.all[first..end];
            first = end;
            block
        })
    }

    fn with_room_for(blocks: usize, frames: usize) -> Self {
        Sightings {
            all: Vec::with_capacity(blocks * frames),
            ends: Vec::with_capacity(blocks),
        }
    }

    fn append(&mut self, other: &Sightings) {
        let before = self.all.len();
        self.all.extend_from_slice(&other.all);
        self.ends.extend(other.ends.iter().map(|end| before + end));
    }
}

/// What a round takes from the table of the round before.
struct Known<'a> {
    /// Stops a code.
    slopes: Vec<f64>,
    /// Codes a variance.
    bends: Vec<f64>,
    spread: &'a Spread,
}

impl Known<'_> {
    /// Variance inside a block beyond the noise of its level, stops^2, as the frame shows it that shows least: what the
    /// scene itself varies, which is the same in all frames. A frame's own variance would not do as a limit in that
    /// frame: it grows with the level, so blocks whose noise went down would pass more often than those it lifted.
    fn texture(&self, samples: &BlockSamples, block: usize, codes: &[f64]) -> f64 {
        let views = samples.frames * block..samples.frames * (block + 1);
        let excess = views.enumerate().filter_map(|(frame, i)| {
            let node = node_of(codes[frame]);
            let beyond = f64::from(samples.variance[i]) - self.spread.quiet[frame][node];
            (samples.peak[i] <= 254.0 && codes[frame] >= LOWEST_CODE)
                .then(|| beyond.max(0.0) * self.slopes[node].powi(2))
        });
        excess.fold(f64::INFINITY, f64::min)
    }

    /// Lowers the weights of a level and frame so that together they never claim more than what is common to them
    /// allows: [`COMMON_CODES`], and the correction for the curve's bend by its own size.
    fn share_what_is_common(&self, sightings: &mut [Sighting]) {
        let noise = &self.spread.noise;
        let mut total = vec![[0.0; NODES / COMMON_RANGE]; noise.len()];
        for s in sightings.iter() {
            total[s.frame()][s.node() / COMMON_RANGE] += s.weight;
        }
        for s in sightings.iter_mut() {
            let bent = self.bends[s.node()] * noise[s.frame()][s.node()];
            let codes = COMMON_CODES.hypot(bent);
            let common = (codes * self.slopes[s.node()]).powi(2);
            s.weight /= 1.0 + total[s.frame()][s.node() / COMMON_RANGE] * common;
        }
    }

    /// What one frame says of a block (statistics at index `i`), predicted to lie at `code`; `None` if it is too near
    /// black or clipping, or too textured.
    fn sight(
        &self,
        samples: &BlockSamples,
        i: usize,
        (frame, code): (usize, f64),
        texture: f64,
        bend: bool,
    ) -> Option<Sighting> {
        let (mean, variance) = (f64::from(samples.mean[i]), f64::from(samples.variance[i]));
        let node = node_of(code);
        let spread = self.spread.noise[frame][node].sqrt();
        if samples.peak[i] > 254.0
            || code < LOWEST_CODE.max(2.5 * spread)
            || code + 2.5 * spread > 254.0
            || variance > TEXTURE_CODES * TEXTURE_CODES
        {
            return None;
        }
        let bent = if bend {
            (self.bends[node] * variance).clamp(-1.0, 1.0)
        } else {
            0.0
        };
        let place = (mean + bent).clamp(0.0, 254.999);
        let lower = place as usize;
        // Noise of the mean, plus what texture leaves after the correction (in codes).
        let deviation = 0.05f64.powi(2)
            + spread * spread / samples.pixels as f64
            + (0.01 * spread * spread).powi(2)
            + (TEXTURE_LEAVES * texture / self.slopes[node]).powi(2);
        Some(Sighting {
            frame: frame as u16,
            node: lower as u16,
            fraction: (place - lower as f64) as f32,
            weight: 1.0 / (deviation * self.slopes[node] * self.slopes[node]),
        })
    }
}

impl State {
    /// Which blocks are usable in which frame, and with what weight.
    pub(super) fn sight(&self, samples: &BlockSamples, round: usize, spread: &Spread) -> Sightings {
        let known = Known {
            slopes: self.slopes(),
            bends: self.bends(),
            spread,
        };
        let parts: Vec<Sightings> = (0..samples.len().div_ceil(TOGETHER))
            .into_par_iter()
            .map(|part| {
                let mut out = Sightings::with_room_for(TOGETHER, samples.frames);
                let first = part * TOGETHER;
                for block in first..samples.len().min(first + TOGETHER) {
                    self.sight_block(samples, block, (round, &known), &mut out);
                }
                out
            })
            .collect();
        let mut sightings = Sightings::with_room_for(samples.len(), samples.frames);
        parts.iter().for_each(|part| sightings.append(part));
        known.share_what_is_common(&mut sightings.all);
        sightings
    }

    fn sight_block(
        &self,
        samples: &BlockSamples,
        block: usize,
        (round, known): (usize, &Known),
        out: &mut Sightings,
    ) {
        let predicted = if round == 0 {
            None
        } else {
            self.predict(samples, block, &known.slopes)
        };
        let views = samples.frames * block..samples.frames * (block + 1);
        let code = |(frame, i): (usize, usize)| {
            let mean = f64::from(samples.mean[i]);
            predicted.map_or(mean, |e| self.code_of(e + self.exposures[frame], mean))
        };
        let codes: SmallVec<[f64; 8]> = views.clone().enumerate().map(code).collect();
        let texture = known.texture(samples, block, &codes);
        if texture > TEXTURE_STOPS * TEXTURE_STOPS {
            return;
        }
        let first = out.all.len();
        out.all.extend(views.enumerate().filter_map(|(frame, i)| {
            known.sight(samples, i, (frame, codes[frame]), texture, round > 0)
        }));
        if out.all.len() < first + 2 {
            out.all.truncate(first);
            return;
        }
        if round > 1 {
            self.discount_outlier(&mut out.all[first..]);
        }
        out.ends.push(out.all.len());
    }

    /// Log2 scene exposure of a block from all frames that saw it neither black nor clipped.
    fn predict(&self, samples: &BlockSamples, block: usize, slopes: &[f64]) -> Option<f64> {
        let (mut sum, mut total) = (0.0, 0.0);
        for frame in 0..samples.frames {
            let i = block * samples.frames + frame;
            let mean = f64::from(samples.mean[i]);
            if samples.peak[i] > 254.0 || mean < LOWEST_CODE {
                continue;
            }
            let slope = slopes[mean as usize];
            let weight = 1.0 / (slope * slope);
            sum += weight * (self.at(mean) - self.exposures[frame]);
            total += weight;
        }
        (total > 0.0).then(|| sum / total)
    }

    /// Huber's weights at three standard deviations, for blocks where something moved.
    fn discount_outlier(&self, sightings: &mut [Sighting]) {
        let total: f64 = sightings.iter().map(|s| s.weight).sum();
        let value = |s: &Sighting| self.at(s.code()) - self.exposures[s.frame()];
        let mean = sightings.iter().map(|s| s.weight * value(s)).sum::<f64>() / total;
        for s in sightings.iter_mut() {
            let deviations = ((value(s) - mean) * s.weight.sqrt()).abs() / 3.0;
            if deviations > 1.0 {
                s.weight /= deviations * deviations;
            }
        }
    }
}

fn node_of(code: f64) -> usize {
    code.round().clamp(0.0, 255.0) as usize
}
