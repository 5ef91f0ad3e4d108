//! Blocks where something moved, told from their levels alone and taken out before anything is fitted.
//!
//! Two frames of one still scene map levels onto levels along one rising curve, whatever the response (the comparametric
//! relation of Mann and Picard 1995). It is measured here as a rising curve through medians in which every tile of the
//! picture has one vote a level, so that one large evenly coloured thing that moved cannot outvote the rest.
use super::blocks::BlockSamples;
use rayon::prelude::*;
use stopspan_core::statistics::isotonic::increasing;

/// Bins over the levels of the frame with less exposure.
const BINS: usize = 64;
/// Tiles that must vote in a bin.
const VOTES: f64 = 6.0;
/// Blocks must lie beyond this many robust standard deviations, and this many codes more, to be taken out.
const BEYOND: (f64, f64) = (6.0, 2.0);
/// Largest standard deviation inside a block that is judged, codes.
const TEXTURE_CODES: f32 = 8.0;
/// If fewer blocks than this share are left, the scene is not one scene and nothing is taken out.
const LEFT: f64 = 0.5;

/// The blocks that no pair of neighbouring frames finds moved; the samples of all channels as they were if that would
/// leave fewer than half.
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

/// One block seen by both frames of a pair.
struct Seen {
    block: u32,
    bin: u32,
    levels: (f32, f32),
    weight: f32,
}

/// Marks the blocks in which the frames `first` and the next depart from what maps one onto the other.
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

fn seen(samples: &BlockSamples, first: usize) -> Vec<Seen> {
    let tiles = (0..samples.len()).map(|block| tile(samples, block)).max();
    let tiles = tiles.map_or(0, |most| most + 1);
    let mut votes = vec![0f32; BINS * tiles];
    let mut out = Vec::new();
    for block in 0..samples.len() {
        let (i, k) = (
            block * samples.frames + first,
            block * samples.frames + first + 1,
        );
        let sound = |i: usize| {
            samples.peak[i] <= 254.0
                && samples.mean[i] >= 2.0
                && samples.variance[i] <= TEXTURE_CODES * TEXTURE_CODES
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

fn tile(samples: &BlockSamples, block: usize) -> usize {
    samples.tile.get(block).map_or(block, |&tile| tile.into())
}

/// Points (level, level of the next frame) of the rising curve through the bins' medians.
fn curve(seen: &[Seen]) -> Option<Vec<(f64, f64)>> {
    let mut bins: Vec<Vec<(f32, f32)>> = vec![Vec::new(); BINS];
    let mut places = [0f64; BINS];
    for s in seen {
        bins[s.bin as usize].push((s.levels.1, s.weight));
        places[s.bin as usize] += f64::from(s.weight * s.levels.0);
    }
    let mut points = Vec::new();
    let mut weights = Vec::new();
    for (mut bin, place) in bins.into_iter().zip(places) {
        let total = total(&bin);
        if total < VOTES {
            continue;
        }
        points.push((place / total, f64::from(weighted_median(&mut bin, total)?)));
        weights.push(total);
    }
    let rising = increasing(&points.iter().map(|p| p.1).collect::<Vec<_>>(), &weights)?;
    for (point, value) in points.iter_mut().zip(rising) {
        point.1 = value;
    }
    (points.len() >= 4).then_some(points)
}

fn total(values: &[(f32, f32)]) -> f64 {
    values.iter().map(|v| f64::from(v.1)).sum()
}

/// The first of (value, weight), in order, at which half of the weight is reached.
fn weighted_median(values: &mut [(f32, f32)], total: f64) -> Option<f32> {
    values.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let mut sum = 0.0;
    let middle = values.iter().find(|v| {
        sum += f64::from(v.1);
        sum >= total / 2.0
    });
    middle.map(|v| v.0)
}

/// The curve between its points; `None` beyond them.
fn at(curve: &[(f64, f64)], level: f64) -> Option<f64> {
    let upper = curve.partition_point(|p| p.0 < level);
    let (a, b) = (curve.get(upper.checked_sub(1)?)?, curve.get(upper)?);
    Some(a.1 + (level - a.0) / (b.0 - a.0).max(1e-9) * (b.1 - a.1))
}

/// How far a block may lie off the curve, codes, by eighths of the levels; `None` with fewer than 30 blocks.
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
