//! Means of co-located blocks of pixels: the samples from which response and exposure ratios are estimated.
//!
//! JPEG compression changes the mean of a block far less than single pixels. Averaging also reduces noise before the curved
//! response is applied, so that fits to block means have almost no errors-in-variables bias.
use super::block_statistics::statistics;
use rayon::prelude::*;
use smallvec::SmallVec;
use std::ops::Range;
use stopspan_core::model::{Bracket, Clip, Frame};
use stopspan_core::raster::Point;

/// Statistics of co-located square blocks in every frame, for one channel. Block-major: index `block * frames + frame`.
#[derive(Debug, Clone, Default)]
pub struct BlockSamples {
    /// Number of frames.
    pub frames: usize,
    /// Number of pixels in a block.
    pub pixels: usize,
    /// Block means, codes 0..=255.
    pub mean: Vec<f32>,
    /// Variance inside each block, from noise and texture, codes^2.
    pub variance: Vec<f32>,
    /// Largest code in each block.
    pub peak: Vec<f32>,
    /// Each block mean less the mean code of the block over all channels, codes; empty for one channel.
    pub colour: Vec<f32>,
    /// Code at or below which this channel is crushed to black, 0..=255.
    pub floor: f32,
    /// Standard deviation of the noise where it leaves almost no block within the usual limit, codes; 0 elsewhere.
    pub noise: f32,
    /// One entry a block, not a frame: index of its tile, of 16 x 12 over the picture.
    pub tile: Vec<u16>,
}

impl BlockSamples {
    /// Number of blocks.
    pub fn len(&self) -> usize {
        self.mean.len() / self.frames.max(1)
    }

    /// Largest standard deviation inside a block that a fit uses, codes: the usual limit, or what noise alone leaves in blocks.
    pub(crate) fn quiet_codes(&self) -> f64 {
        QUIET_CODES.max((NOISE_WITHIN * f64::from(self.noise)).min(MOST_CODES))
    }

    /// Difference of a block from grey over its code, averaged over the frames; 0 where colours are not known.
    pub(crate) fn colour_of(&self, block: usize) -> f32 {
        let views = block * self.frames..(block + 1) * self.frames;
        let sum = |values: &[f32]| values.get(views.clone()).map_or(0.0, |v| v.iter().sum());
        sum(&self.colour) / (sum(&self.mean) + 1.0)
    }

    /// Column of the tile of a block, of 16.
    pub(crate) fn column_of(&self, block: usize) -> usize {
        self.tile.get(block).map_or(block, |&tile| tile.into()) % TILES.0
    }

    /// The samples with all frames but these taken for clipped, so that no fit uses them.
    pub(crate) fn of_frames(mut self, used: &Range<usize>) -> BlockSamples {
        let frames = self.frames.max(1);
        let outside = |i: usize| !used.contains(&(i % frames));
        let peaks = self.peak.iter_mut().enumerate();
        peaks
            .filter(|(i, _)| outside(*i))
            .for_each(|(_, p)| *p = 255.0);
        self
    }

    /// At most `a_level` blocks of each bin of level, evenly spread; all blocks if there are few in total.
    pub(crate) fn thinned(&self, a_level: usize) -> BlockSamples {
        if self.len() <= BINS * a_level {
            return self.clone();
        }
        let frames = self.frames.max(1);
        let bin = |block: &[f32]| {
            let sum: f32 = block.iter().sum();
            ((sum / (frames as f32 * 256.0) * BINS as f32) as usize).min(BINS - 1)
        };
        let mut count = [0usize; BINS];
        for block in self.mean.chunks_exact(frames) {
            count[bin(block)] += 1;
        }
        let mut met = [0usize; BINS];
        let mut keep = |block: &[f32]| {
            let b = bin(block);
            let wanted = count[b].min(a_level);
            met[b] += 1;
            met[b] * wanted / count[b] > (met[b] - 1) * wanted / count[b]
        };
        let kept: Vec<bool> = self.mean.chunks_exact(frames).map(&mut keep).collect();
        self.only(&kept)
    }

    /// The blocks marked true.
    pub(crate) fn only(&self, kept: &[bool]) -> BlockSamples {
        let by_frame = |values: &[f32]| -> Vec<f32> {
            let blocks = values.chunks_exact(self.frames.max(1)).zip(kept);
            let blocks = blocks.filter(|(_, kept)| **kept);
            blocks.flat_map(|(b, _)| b.iter().copied()).collect()
        };
        let tiles = self.tile.iter().zip(kept).filter(|(_, kept)| **kept);
        BlockSamples {
            frames: self.frames,
            pixels: self.pixels,
            mean: by_frame(&self.mean),
            variance: by_frame(&self.variance),
            peak: by_frame(&self.peak),
            colour: by_frame(&self.colour),
            floor: self.floor,
            noise: self.noise,
            tile: tiles.map(|(t, _)| *t).collect(),
        }
    }

    /// True without any block.
    pub fn is_empty(&self) -> bool {
        self.mean.is_empty()
    }
}

/// Approximate number of blocks taken: a level that fills one three-hundredth of the picture then has a hundred.
const BLOCKS_WANTED: usize = 30_000;

/// Bins for thinning, by the mean of a block over all frames.
const BINS: usize = 100;
/// Side of the smallest blocks, used for finely textured scenes, pixels.
const SMALLEST: usize = 4;

/// Number of tiles across and down.
const TILES: (usize, usize) = (16, 12);

/// Side of the blocks for a picture of this size, pixels: 8 (as JPEG blocks) if that gives enough of them.
pub(crate) fn block_side(rows: usize, columns: usize) -> usize {
    match rows * columns {
        n if n >= 250_000 => 8,
        n if n >= 16_000 => 4,
        _ => 2,
    }
}

/// Largest standard deviation inside a block that a fit uses, codes.
pub(super) const QUIET_CODES: f64 = 6.0;
/// That limit over the standard deviation of the noise, where no block is within it: of 64 pixels of normal noise, one block in
/// a thousand spreads by 1.3 times as much; a camera's noise reduction leaves noise uneven.
const NOISE_WITHIN: f64 = 1.5;
/// Largest limit, codes: with more noise, the mean code of a block depends on the curvature of the response (judgement).
const MOST_CODES: f64 = 16.0;
/// Number of levels at which blocks are counted.
const LEVELS: usize = 12;
/// Number of blocks that suffices at a level.
const ENOUGH: usize = 250;

/// The samples with the floors of their channels, one entry a channel.
pub(crate) fn with_floors(mut samples: Vec<BlockSamples>, clips: &[Clip]) -> Vec<BlockSamples> {
    for (channel, clip) in samples.iter_mut().zip(clips) {
        channel.floor = (clip.floor_level.max(0.0) * 255.0) as f32;
    }
    samples
}

/// The samples of three channels with the difference of their means from grey.
pub(crate) fn with_colours(mut samples: Vec<BlockSamples>) -> Vec<BlockSamples> {
    if let [red, green, blue] = &samples[..] {
        let means = red.mean.iter().zip(&green.mean).zip(&blue.mean);
        let grey: Vec<f32> = means.map(|((r, g), b)| (r + g + b) / 3.0).collect();
        samples.par_iter_mut().for_each(|channel| {
            let means = channel.mean.iter().zip(&grey);
            channel.colour = means.map(|(mean, grey)| mean - grey).collect();
        });
    }
    samples
}

/// Collects block statistics for every channel of a bracket whose frames are in register, or have a transform.
///
/// Blocks follow the JPEG grid of the reference frame; about 30,000 are taken, evenly spread over the picture. Their side is
/// halved for scenes so finely textured that at some level almost no block is uniform enough to be used. Where four fifths of the
/// smallest blocks are not uniform either, in any frame, that is noise: the larger ones are kept, and may be as uneven as the
/// noise makes them.
pub fn collect(bracket: &Bracket) -> Vec<BlockSamples> {
    let (rows, columns, _) = bracket.reference_frame().picture.pixels.dim();
    let mut side = block_side(rows, columns);
    let mut samples = collect_of(bracket, side);
    while side > SMALLEST && samples.par_iter().any(too_coarse) {
        side /= 2;
        let smaller = collect_of(bracket, side);
        let noisy = |s: &BlockSamples| {
            let least = deviations(s).fold(f32::INFINITY, f32::min);
            f64::from(least) > QUIET_CODES && least.is_finite()
        };
        if side <= SMALLEST && smaller.par_iter().any(noisy) {
            for s in &mut samples {
                s.noise = deviations(s).fold(0.0, f32::max);
            }
            return samples;
        }
        samples = smaller;
    }
    samples
}

/// Standard deviation inside the lowest fifth of the unclipped blocks above black, by frame, codes; frames with few such blocks
/// are skipped.
fn deviations(samples: &BlockSamples) -> impl Iterator<Item = f32> {
    (0..samples.frames).filter_map(|frame| {
        let views = (frame..samples.mean.len()).step_by(samples.frames);
        let seen =
            views.filter(|&i| samples.peak[i] <= 254.0 && samples.mean[i] >= samples.floor + 20.0);
        let mut variances: Vec<f32> = seen.map(|i| samples.variance[i]).collect();
        let fifth = variances.len() / 5;
        let enough = variances.len() >= ENOUGH;
        enough.then(|| {
            variances
                .select_nth_unstable_by(fifth, f32::total_cmp)
                .1
                .sqrt()
        })
    })
}

/// True if some level has enough blocks but almost none of them is uniform.
fn too_coarse(samples: &BlockSamples) -> bool {
    let (mut all, mut even) = ([0usize; LEVELS], [0usize; LEVELS]);
    let values = samples
        .mean
        .iter()
        .zip(&samples.variance)
        .zip(&samples.peak);
    for ((&mean, &variance), _) in values.filter(|(_, peak)| **peak <= 254.0) {
        let level = (mean as usize * LEVELS / 256).min(LEVELS - 1);
        all[level] += 1;
        even[level] += usize::from(f64::from(variance) <= QUIET_CODES * QUIET_CODES);
    }
    all.iter()
        .zip(even)
        .any(|(&all, even)| all > 4 * ENOUGH && even < ENOUGH)
}

fn collect_of(bracket: &Bracket, side: usize) -> Vec<BlockSamples> {
    let (rows, columns, channels) = bracket.reference_frame().picture.pixels.dim();
    let (down, across) = (rows / side, columns / side);
    let skip = (down * across / BLOCKS_WANTED).max(1);
    let per_row: Vec<Vec<BlockSamples>> = (0..down)
        .into_par_iter()
        .map(|row| {
            // The offset changes from row to row, so that the blocks taken have no preferred direction.
            let chosen = ((row * 7) % skip..across).step_by(skip);
            let corners = chosen.map(|column| (row * side, column * side));
            statistics_at(bracket, corners, side)
        })
        .collect();
    let joined = |channel: usize| {
        let rows = per_row.iter().map(|row| &row[channel]);
        let entries = rows.clone().map(|row| row.mean.len()).sum();
        let mut all = BlockSamples {
            frames: bracket.frames.len(),
            pixels: side * side,
            mean: Vec::with_capacity(entries),
            variance: Vec::with_capacity(entries),
            peak: Vec::with_capacity(entries),
            colour: Vec::new(),
            floor: 0.0,
            noise: 0.0,
            tile: Vec::with_capacity(entries / bracket.frames.len().max(1)),
        };
        for row in rows {
            all.mean.extend_from_slice(&row.mean);
            all.variance.extend_from_slice(&row.variance);
            all.peak.extend_from_slice(&row.peak);
            all.tile.extend_from_slice(&row.tile);
        }
        all
    };
    (0..channels).into_par_iter().map(joined).collect()
}

/// Statistics by channel of blocks with these top left corners (row, column) in the reference; those that leave any frame are
/// skipped.
fn statistics_at(
    bracket: &Bracket,
    corners: impl Iterator<Item = (usize, usize)>,
    side: usize,
) -> Vec<BlockSamples> {
    let (rows, columns, channels) = bracket.reference_frame().picture.pixels.dim();
    let mut out = vec![BlockSamples::default(); channels];
    let mut positions: Vec<Vec<(usize, usize)>> = vec![Vec::new(); bracket.frames.len()];
    for (top, left) in corners {
        let frames = bracket.frames.iter();
        let at: Option<SmallVec<[_; 8]>> = frames.map(|f| locate(f, top, left, side)).collect();
        let Some(at) = at else { continue };
        positions.iter_mut().zip(at).for_each(|(p, at)| p.push(at));
        let tile = top * TILES.1 / rows.max(1) * TILES.0 + left * TILES.0 / columns.max(1);
        out.iter_mut().for_each(|o| o.tile.push(tile as u16));
    }
    let frames = positions.len();
    let entries = frames * out.first().map_or(0, |o| o.tile.len());
    for samples in &mut out {
        samples.mean.resize(entries, 0.0);
        samples.variance.resize(entries, 0.0);
        samples.peak.resize(entries, 0.0);
    }
    for (j, (frame, corners)) in bracket.frames.iter().zip(&positions).enumerate() {
        let found = statistics(&frame.picture.pixels, corners, side);
        for (block, found) in found.chunks_exact(channels.max(1)).enumerate() {
            for (samples, &(mean, variance, peak)) in out.iter_mut().zip(found) {
                let i = block * frames + j;
                (samples.mean[i], samples.variance[i], samples.peak[i]) = (mean, variance, peak);
            }
        }
    }
    out
}

/// Top left corner (row, column) in `frame` of a block of the reference, rounded to whole pixels; `None` if the block leaves
/// the frame or what it shows of the scene. Rounding matters little, since textured blocks are not used.
pub(crate) fn locate(
    frame: &Frame,
    top: usize,
    left: usize,
    side: usize,
) -> Option<(usize, usize)> {
    let Some(transform) = &frame.transform else {
        return frame.covers(top, left, side).then_some((top, left));
    };
    let half = side as f64 / 2.0;
    let centre = transform.apply(Point {
        x: left as f64 + half,
        y: top as f64 + half,
    })?;
    let (row, column) = ((centre.y - half).round(), (centre.x - half).round());
    let (rows, columns, _) = frame.picture.pixels.dim();
    let inside = row >= 0.0
        && column >= 0.0
        && row as usize + side <= rows
        && column as usize + side <= columns;
    (inside && frame.covers(row as usize, column as usize, side))
        .then_some((row as usize, column as usize))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 40,000 blocks of two frames: 39,000 of one level, 1000 spread over the others.
    fn uneven() -> BlockSamples {
        let mut samples = BlockSamples {
            frames: 2,
            pixels: 64,
            ..Default::default()
        };
        for i in 0..40_000usize {
            let code = if i % 40 == 0 {
                (i / 40 % 250) as f32
            } else {
                90.2
            };
            samples.mean.extend([code, code]);
            samples.variance.extend([1.0, i as f32]);
            samples.peak.extend([code, code]);
            samples.tile.push((i % 192) as u16);
        }
        samples
    }

    #[test]
    fn thinning_keeps_rare_levels_whole_and_common_ones_evenly() {
        let all = uneven();
        let thin = all.thinned(240);
        let rare = |s: &BlockSamples| s.mean.chunks_exact(2).filter(|b| b[0] != 90.2).count();
        let common: Vec<f32> = thin
            .mean
            .chunks_exact(2)
            .zip(thin.variance.chunks_exact(2))
            .filter(|(mean, _)| mean[0] == 90.2)
            .map(|(_, variance)| variance[1])
            .collect();
        // Rare blocks of the crowded level's own bin are thinned with it: levels 89.6 to 92.16, 3 of 250.
        assert!(
            rare(&thin) >= rare(&all) - 12,
            "{} {}",
            rare(&thin),
            rare(&all)
        );
        assert!(common.len() > 230 && common.len() <= 240);
        let gap = common.windows(2).map(|w| w[1] - w[0]).fold(0.0, f32::max);
        assert!(gap < 2.0 * 40_000.0 / common.len() as f32, "{gap}");
        assert_eq!(thin.len(), thin.tile.len());
    }

    #[test]
    fn few_blocks_are_all_kept() {
        let all = uneven();
        let some: Vec<bool> = (0..all.len()).map(|i| i < 15_000).collect();
        assert_eq!(all.only(&some).thinned(240).len(), 15_000);
    }
}
