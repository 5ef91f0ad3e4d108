//! Observations of the fit: which blocks are used in which frame, their position on the table and their weight.
use super::NODES;
use super::spread::Spread;
use super::state::State;
use crate::blocks::BlockSamples;
use rayon::prelude::*;
use smallvec::SmallVec;

/// Lowest predicted code of a block that is used: below it noise is rectified at black.
const LOWEST_CODE: f64 = 3.0;
/// Largest texture of a block, standard deviation in stops: with more, its mean code depends on the curvature of the response.
const TEXTURE_STOPS: f64 = 0.2;
/// Error of the log exposure of a block after the correction for curvature, over the variance of its texture (stops^2).
const TEXTURE_LEAVES: f64 = 0.3;
/// Error of the code of a block over the distance of its code from grey: white balance and colour matrix act before the tone
/// curve of a camera, saturation after it, so that the curve is exact for greys alone (judgement; simulated cameras are
/// recovered equally well with a half and twice of it).
const COLOUR_LEAVES: f64 = 0.15;
/// Error common to all blocks of one level and frame, from compression, rounding and texture, codes.
const COMMON_CODES: f64 = 0.05;
/// Number of codes over which that error is the same.
const COMMON_RANGE: usize = 8;
/// Blocks in a parallel task.
const TOGETHER: usize = 1024;

/// One block in one frame, as an observation of the table.
#[derive(Clone, Copy)]
pub(super) struct Sighting {
    frame: u16,
    node: u16,
    fraction: f32,
    /// Inverse variance of its log2 exposure, 1/stops^2.
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

    /// Position of the block's code between that entry and the next, 0..1.
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

/// The observations of all blocks that are usable in at least two frames, block after block.
pub(super) struct Sightings {
    all: Vec<Sighting>,
    /// Index after the last observation of each block.
    ends: Vec<usize>,
    /// What each block shows.
    marks: Vec<Mark>,
}

/// What a block shows, apart from its level.
#[derive(Clone, Copy)]
pub(super) struct Mark {
    /// Column of its tile.
    pub column: f32,
    /// Difference of its code from grey over its code, averaged over the frames.
    pub colour: f32,
}

impl Sightings {
    /// Number of blocks.
    pub(super) fn len(&self) -> usize {
        self.ends.len()
    }

    /// All observations.
    pub(super) fn all(&self) -> &[Sighting] {
        &self.all
    }

    /// What the blocks show.
    pub(super) fn marks(&self) -> &[Mark] {
        &self.marks
    }

    /// The observations block by block.
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
            marks: Vec::with_capacity(blocks),
        }
    }

    fn append(&mut self, other: &Sightings) {
        let before = self.all.len();
        self.all.extend_from_slice(&other.all);
        self.ends.extend(other.ends.iter().map(|end| before + end));
        self.marks.extend_from_slice(&other.marks);
    }
}

/// Slopes and noise from the previous round.
struct Known<'a> {
    /// Slope of the table by code, stops per code.
    slopes: Vec<f64>,
    /// Correction of a mean code for curvature by code, codes per code^2 of variance.
    bends: Vec<f64>,
    spread: &'a Spread,
}

impl Known<'_> {
    /// Texture of a block: variance in excess of the noise of its level, stops^2, in the frame where it is least. The texture
    /// of the scene is the same in all frames. The variance of each frame is no criterion for that frame: it increases with
    /// the level, so blocks with negative noise would pass more often than those with positive noise.
    fn texture(&self, samples: &BlockSamples, block: usize, codes: &[f64]) -> f64 {
        let views = samples.frames * block..samples.frames * (block + 1);
        let excess = views.enumerate().filter_map(|(frame, i)| {
            let node = node_of(codes[frame]);
            let beyond = f64::from(samples.variance[i]) - self.spread.quiet[frame][node];
            (samples.peak[i] <= 254.0 && codes[frame] >= f64::from(samples.floor) + LOWEST_CODE)
                .then(|| beyond.max(0.0) * self.slopes[node].powi(2))
        });
        excess.fold(f64::INFINITY, f64::min)
    }

    /// Reduces the weights of each level and frame so that the variance of their mean is no less than that of their common
    /// error: [`COMMON_CODES`], and the size of the correction for curvature.
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

    /// The observation with index `i` (of a block in a frame), whose predicted code is `code`; `None` if it is too near black
    /// or clipping, or too textured. `texture` is that of the block, stops^2; `bend` applies the correction for curvature.
    fn sight(
        &self,
        samples: &BlockSamples,
        i: usize,
        code: f64,
        texture: f64,
        bend: bool,
    ) -> Option<Sighting> {
        let frame = i % samples.frames;
        let (mean, variance) = (f64::from(samples.mean[i]), f64::from(samples.variance[i]));
        let node = node_of(code);
        let spread = self.spread.noise[frame][node].sqrt();
        if samples.peak[i] > 254.0
            || code < f64::from(samples.floor) + LOWEST_CODE.max(2.5 * spread)
            || code + 2.5 * spread > 254.0
            || variance > samples.quiet_codes().powi(2)
        {
            return None;
        }
        let bent = if bend {
            (self.bends[node] * variance).clamp(-1.0, 1.0)
        } else {
            0.0
        };
        let corrected = (mean + bent).clamp(0.0, 254.999);
        let lower = corrected as usize;
        // Variance of the mean from noise, plus the error that texture leaves after the correction, codes^2.
        let deviation = 0.05f64.powi(2)
            + spread * spread / samples.pixels as f64
            + (0.01 * spread * spread).powi(2)
            + (TEXTURE_LEAVES * texture / self.slopes[node]).powi(2)
            + (COLOUR_LEAVES * f64::from(samples.colour.get(i).copied().unwrap_or(0.0))).powi(2);
        Some(Sighting {
            frame: frame as u16,
            node: lower as u16,
            fraction: (corrected - lower as f64) as f32,
            weight: 1.0 / (deviation * self.slopes[node] * self.slopes[node]),
        })
    }
}

impl State {
    /// The observations of one round with their weights.
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
                    self.sight_block(samples, block, round, &known, &mut out);
                }
                out
            })
            .collect();
        let mut sightings = Sightings::with_room_for(samples.len(), samples.frames);
        parts.iter().for_each(|part| sightings.append(part));
        known.share_what_is_common(&mut sightings.all);
        sightings
    }

    /// Appends the observations of a block, if at least two frames give one.
    fn sight_block(
        &self,
        samples: &BlockSamples,
        block: usize,
        round: usize,
        known: &Known,
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
        out.all.extend(
            views
                .enumerate()
                .filter_map(|(frame, i)| known.sight(samples, i, codes[frame], texture, round > 0)),
        );
        if out.all.len() < first + 2 {
            out.all.truncate(first);
            return;
        }
        if round > 1 {
            self.discount_outlier(&mut out.all[first..]);
        }
        out.ends.push(out.all.len());
        out.marks.push(Mark {
            column: samples.column_of(block) as f32,
            colour: samples.colour_of(block),
        });
    }

    /// log2 scene exposure of a block from all frames in which it is neither black nor clipped.
    fn predict(&self, samples: &BlockSamples, block: usize, slopes: &[f64]) -> Option<f64> {
        let (mut sum, mut total) = (0.0, 0.0);
        for frame in 0..samples.frames {
            let i = block * samples.frames + frame;
            let mean = f64::from(samples.mean[i]);
            if samples.peak[i] > 254.0 || mean < f64::from(samples.floor) + LOWEST_CODE {
                continue;
            }
            let slope = slopes[mean as usize];
            let weight = 1.0 / (slope * slope);
            sum += weight * (self.at(mean) - self.exposures[frame]);
            total += weight;
        }
        (total > 0.0).then(|| sum / total)
    }

    /// Reduces the weights of residuals beyond three standard deviations (after Huber), for blocks where something moved.
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

/// Nearest table entry of a code.
fn node_of(code: f64) -> usize {
    code.round().clamp(0.0, 255.0) as usize
}
