//! Block means of co-located pixels: the samples that responses, exposure ratios and noise are estimated from.
//!
//! A block mean keeps its value through JPEG compression far better than a pixel does, and averages noise before the
//! curved response is applied to it, so that fits to block means have next to no errors-in-variables bias.
use super::block_statistics::statistics;
use rayon::prelude::*;
use smallvec::SmallVec;
use stopspan_core::model::{Bracket, Frame};
use stopspan_core::raster::Point;

/// Statistics of co-located square blocks in every frame, for one channel. Block-major: index `block * frames + frame`.
#[derive(Debug, Clone, Default)]
pub struct BlockSamples {
    /// Number of frames.
    pub frames: usize,
    /// Pixels a block.
    pub pixels: usize,
    /// Block means, codes 0..=255.
    pub mean: Vec<f32>,
    /// Variance inside the block, codes^2 (noise and texture).
    pub variance: Vec<f32>,
    /// Largest code in the block.
    pub peak: Vec<f32>,
    /// By block, not by frame: which of 16 x 12 tiles of the picture it lies in.
    pub tile: Vec<u16>,
}

impl BlockSamples {
    /// Number of blocks.
    pub fn len(&self) -> usize {
        self.mean.len() / self.frames.max(1)
    }

    /// At most `a_level` blocks of about one level, evenly spread over those; all of them where there are few.
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
            tile: tiles.map(|(t, _)| *t).collect(),
        }
    }

    /// True without any block.
    pub fn is_empty(&self) -> bool {
        self.mean.is_empty()
    }
}

/// Blocks looked at: enough that a level that fills a three-hundredth of the picture has a hundred of them.
const BLOCKS_WANTED: usize = 30_000;

/// Bins of level for thinning, over the sum of a block's levels in all frames.
const BINS: usize = 100;
/// Side of the smallest blocks that a finely textured scene is cut into.
const SMALLEST: usize = 4;

/// Tiles across and down that blocks are told apart by.
const TILES: (usize, usize) = (16, 12);

/// Side of the blocks for a picture of this many pixels: 8 (a JPEG block) where that leaves enough of them.
pub(crate) fn block_side(rows: usize, columns: usize) -> usize {
    match rows * columns {
        n if n >= 250_000 => 8,
        n if n >= 16_000 => 4,
        _ => 2,
    }
}

/// Largest standard deviation inside a block that a fit uses, codes.
pub(super) const QUIET_CODES: f64 = 6.0;
/// Levels told apart, and what counts as enough blocks at a level.
const LEVELS: usize = 12;
const ENOUGH: usize = 250;

/// Collects block statistics for every channel of a bracket (frames in register, or carrying their transform).
/// Blocks lie on the JPEG grid of the reference frame; up to about 30,000 are taken, spread evenly over the picture. They are
/// halved where the scene is so finely textured that at levels it does show hardly any block is even enough to be used.
pub fn collect(bracket: &Bracket) -> Vec<BlockSamples> {
    let (rows, columns, _) = bracket.reference_frame().picture.pixels.dim();
    let mut side = block_side(rows, columns);
    loop {
        let samples = collect_of(bracket, side);
        if side <= SMALLEST || !samples.par_iter().any(too_coarse) {
            return samples;
        }
        side /= 2;
    }
}

/// True if at some level there are blocks enough, but hardly any that is even.
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
        .map(|block_row| row_of_blocks(bracket, block_row, across, side, skip, channels))
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

fn row_of_blocks(
    bracket: &Bracket,
    block_row: usize,
    across: usize,
    side: usize,
    skip: usize,
    channels: usize,
) -> Vec<BlockSamples> {
    let mut out = vec![BlockSamples::default(); channels];
    let (rows, columns, _) = bracket.reference_frame().picture.pixels.dim();
    // By frame: where the blocks lie. Offset the chosen columns from row to row, so that the choice has no direction.
    let mut places: Vec<Vec<(usize, usize)>> = vec![Vec::new(); bracket.frames.len()];
    for block_column in ((block_row * 7) % skip..across).step_by(skip) {
        let (top, left) = (block_row * side, block_column * side);
        let frames = bracket.frames.iter();
        let at: Option<SmallVec<[_; 8]>> = frames.map(|f| place(f, top, left, side)).collect();
        let Some(at) = at else { continue };
        places.iter_mut().zip(at).for_each(|(p, at)| p.push(at));
        let tile = top * TILES.1 / rows.max(1) * TILES.0 + left * TILES.0 / columns.max(1);
        out.iter_mut().for_each(|o| o.tile.push(tile as u16));
    }
    let frames = places.len();
    let entries = frames * out.first().map_or(0, |o| o.tile.len());
    for samples in &mut out {
        samples.mean.resize(entries, 0.0);
        samples.variance.resize(entries, 0.0);
        samples.peak.resize(entries, 0.0);
    }
    for (j, (frame, places)) in bracket.frames.iter().zip(&places).enumerate() {
        let found = statistics(&frame.picture.pixels, places, side);
        for (block, found) in found.chunks_exact(channels.max(1)).enumerate() {
            for (samples, &(mean, variance, peak)) in out.iter_mut().zip(found) {
                let i = block * frames + j;
                (samples.mean[i], samples.variance[i], samples.peak[i]) = (mean, variance, peak);
            }
        }
    }
    out
}

/// Where a block of the reference frame lies in `frame`, to whole pixels; `None` if it leaves the picture. Half a pixel
/// matters little: textured blocks are not used.
pub(crate) fn place(frame: &Frame, top: usize, left: usize, side: usize) -> Option<(usize, usize)> {
    let Some(transform) = &frame.transform else {
        return Some((top, left));
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
    inside.then_some((row as usize, column as usize))
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
