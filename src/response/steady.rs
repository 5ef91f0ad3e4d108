//! Removes blocks where something moved, recognised from their levels alone, before a response is fitted.
//!
//! In two frames of a still scene the levels are related by one increasing curve, whatever the response (the comparametric
//! relation of Mann and Picard 1995). Here it is an increasing curve through weighted medians, in which every tile of the
//! picture has equal total weight at a level, so that one large uniform object that moved cannot dominate.
use super::blocks::BlockSamples;
use rayon::prelude::*;
use stopspan_core::statistics::isotonic::increasing;

/// Number of bins of the level in the frame with less exposure.
const BINS: usize = 64;
/// Least total weight of a bin, in tiles.
const TILES: f64 = 6.0;
/// Distance from the curve at which a block is removed: robust standard deviations, plus codes.
const BEYOND: (f64, f64) = (6.0, 2.0);
/// Largest standard deviation inside a block that is examined, codes; more where a fit uses more.
const TEXTURE_CODES: f32 = 8.0;
/// Least share of blocks that must remain; otherwise nothing is removed.
const LEFT: f64 = 0.5;

/// Removes the blocks in which any pair of neighbouring frames shows motion in any channel. Returns the samples unchanged if
/// fewer than half would remain.
pub(super) fn keep(samples: Vec<BlockSamples>) -> Vec<BlockSamples> {
    let blocks = samples.first().map_or(0, BlockSamples::len);
    let of_channel = |channel: &BlockSamples| {
        let mut moved = vec![false; blocks];
        for first in 0..channel.frames.saturating_sub(1) {
            mark(channel, first, &mut moved);
        }
        moved
    };
    let either = |mut a: Vec<bool>, b: Vec<bool>| {
        a.iter_mut().zip(b).for_each(|(a, b)| *a |= b);
        a
    };
    let moved = samples
        .par_iter()
        .map(of_channel)
        .reduce(|| vec![false; blocks], either);
    let left = moved.iter().filter(|m| !**m).count();
    if left == blocks || (left as f64) < LEFT * blocks as f64 {
        return samples;
    }
    let still: Vec<bool> = moved.iter().map(|m| !m).collect();
    samples.iter().map(|s| s.only(&still)).collect()
}

/// One block that is usable in both frames of a pair.
struct Seen {
    block: u32,
    bin: u32,
    /// Levels in the first and the second frame, codes.
    levels: (f32, f32),
    /// Inverse of the number of blocks of its tile and bin.
    weight: f32,
}

/// Marks the blocks whose levels in frame `first` and the next are too far from the curve that relates them.
fn mark(samples: &BlockSamples, first: usize, moved: &mut [bool]) {
    let seen = seen(samples, first);
    let Some(curve) = curve(&seen) else {
        return;
    };
    let away: Vec<Option<f32>> = seen
        .iter()
        .map(|s| {
            let there = at(&curve, f64::from(s.levels.0))?;
            Some((f64::from(s.levels.1) - there).abs() as f32)
        })
        .collect();
    let limits = limits(&seen, &away);
    for (s, away) in seen.iter().zip(&away) {
        if let (Some(away), Some(limit)) = (away, limits[s.bin as usize / 8])
            && f64::from(*away) > limit
        {
            moved[s.block as usize] = true;
        }
    }
}

/// The blocks usable in frame `first` and the next.
fn seen(samples: &BlockSamples, first: usize) -> Vec<Seen> {
    let tiles = (0..samples.len()).map(|block| tile(samples, block)).max();
    let tiles = tiles.map_or(0, |most| most + 1);
    let even = TEXTURE_CODES.max(samples.quiet_codes() as f32).powi(2);
    let mut votes = vec![0f32; BINS * tiles];
    let mut out = Vec::new();
    for block in 0..samples.len() {
        let (i, k) = (
            block * samples.frames + first,
            block * samples.frames + first + 1,
        );
        let sound = |i: usize| {
            samples.peak[i] <= 254.0
                && samples.mean[i] >= samples.floor + 2.0
                && samples.variance[i] <= even
        };
        if !(sound(i) && sound(k)) {
            continue;
        }
        let bin = (samples.mean[i] as usize * BINS / 256).min(BINS - 1);
        votes[bin * tiles + tile(samples, block)] += 1.0;
        out.push(Seen {
            block: block as u32,
            bin: bin as u32,
            levels: (samples.mean[i], samples.mean[k]),
            weight: 1.0,
        });
    }
    for s in &mut out {
        s.weight = 1.0 / votes[s.bin as usize * tiles + tile(samples, s.block as usize)];
    }
    out
}

/// Tile of a block, or the block itself if tiles are not known.
fn tile(samples: &BlockSamples, block: usize) -> usize {
    samples.tile.get(block).map_or(block, |&tile| tile.into())
}

/// Points (level, level in the next frame) of the increasing curve through the medians of the bins; `None` with fewer than
/// four.
fn curve(seen: &[Seen]) -> Option<Vec<(f64, f64)>> {
    let mut bins: Vec<Vec<(f32, f32)>> = vec![Vec::new(); BINS];
    let mut level_sums = [0f64; BINS];
    for s in seen {
        bins[s.bin as usize].push((s.levels.1, s.weight));
        level_sums[s.bin as usize] += f64::from(s.weight * s.levels.0);
    }
    let mut points = Vec::new();
    let mut weights = Vec::new();
    for (mut bin, sum) in bins.into_iter().zip(level_sums) {
        let total = total(&bin);
        if total < TILES {
            continue;
        }
        points.push((sum / total, f64::from(weighted_median(&mut bin, total)?)));
        weights.push(total);
    }
    let rising = increasing(&points.iter().map(|p| p.1).collect::<Vec<_>>(), &weights)?;
    for (point, value) in points.iter_mut().zip(rising) {
        point.1 = value;
    }
    (points.len() >= 4).then_some(points)
}

/// Sum of the weights of (value, weight).
fn total(values: &[(f32, f32)]) -> f64 {
    values.iter().map(|v| f64::from(v.1)).sum()
}

/// Weighted median of (value, weight); `total` is the sum of the weights.
fn weighted_median(values: &mut [(f32, f32)], total: f64) -> Option<f32> {
    values.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let mut sum = 0.0;
    let middle = values.iter().find(|v| {
        sum += f64::from(v.1);
        sum >= total / 2.0
    });
    middle.map(|v| v.0)
}

/// Interpolates the curve at a level; `None` beyond its ends.
fn at(curve: &[(f64, f64)], level: f64) -> Option<f64> {
    let upper = curve.partition_point(|p| p.0 < level);
    let (a, b) = (curve.get(upper.checked_sub(1)?)?, curve.get(upper)?);
    Some(a.1 + (level - a.0) / (b.0 - a.0).max(1e-9) * (b.1 - a.1))
}

/// Largest distance from the curve of a still block, codes, by eighth of the level range; `None` with fewer than 30 blocks.
fn limits(seen: &[Seen], away: &[Option<f32>]) -> Vec<Option<f64>> {
    let mut groups: Vec<Vec<(f32, f32)>> = vec![Vec::new(); BINS / 8];
    for (s, away) in seen.iter().zip(away) {
        if let Some(away) = away {
            groups[s.bin as usize / 8].push((*away, s.weight));
        }
    }
    let limit = |mut group: Vec<(f32, f32)>| {
        let total = total(&group);
        let median = (group.len() >= 30).then(|| weighted_median(&mut group, total));
        Some(BEYOND.0 * 1.4826 * f64::from(median??) + BEYOND.1)
    };
    groups.into_iter().map(limit).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 3000 blocks of a still scene through a square-root response, one stop apart; blocks from `from` on show one
    /// evenly coloured thing in the first frame and the scene in the second. The thing fills 2 of 48 tiles.
    fn scene(from: usize) -> BlockSamples {
        let mut samples = BlockSamples {
            frames: 2,
            pixels: 64,
            ..Default::default()
        };
        for i in 0..3000usize {
            let light = 0.02 + 0.45 * ((i * 7919) % 3000) as f32 / 3000.0;
            let codes = [(light).sqrt() * 255.0, (2.0 * light).sqrt() * 255.0];
            let first = if i >= from { 100.0 } else { codes[0] };
            samples.mean.extend([first, codes[1]]);
            samples.peak.extend([first, codes[1]]);
            samples.variance.extend([1.0, 1.0]);
            samples.tile.push((i * 48 / 3000) as u16);
        }
        samples
    }

    #[test]
    fn a_still_scene_is_kept_whole() {
        assert_eq!(keep(vec![scene(3000)])[0].len(), 3000);
    }

    #[test]
    fn an_even_thing_that_moved_is_taken_out() {
        let all = scene(2875);
        let kept = keep(vec![all]);
        let odd = |s: &BlockSamples| {
            let pairs = s.mean.chunks_exact(2);
            pairs
                .filter(|p| (p[1] - p[0] * 2f32.sqrt()).abs() > 20.0)
                .count()
        };
        assert!(odd(&scene(2875)) > 60);
        assert_eq!(odd(&kept[0]), 0);
        assert!(kept[0].len() > 2800);
    }
}
