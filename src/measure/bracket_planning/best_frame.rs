//! The best single frame: of a scene the one that keeps most of it, of a wedge the one that resolves most steps.
use stopspan_core::results::{BestFrame, Criterion, SharesAtSnr};
use stopspan_core::results::{PictureMeasurement, UsableStops};

/// Difference of losses, shares of the picture, below which they count as equal.
const ALIKE: f64 = 0.001;

/// Weight of a pixel that is clipped, where one below SNR 10 counts 1. Clipped light is lost, noisy light can be averaged: common
/// practice of exposing for the highlights, no source.
const CLIPPED_WEIGHT: f64 = 2.0;

/// The frame that keeps most of the scene: the least loss by area, where clipped pixels count [`CLIPPED_WEIGHT`] and pixels below
/// SNR 10 count 1; among frames of equal loss the one that clips least. `clipped` is the share that each frame clips in some channel.
pub(super) fn best_of_scene(
    names: &[String],
    held: &[SharesAtSnr],
    clipped: &[f64],
) -> Option<BestFrame> {
    let kept = &held.iter().find(|h| h.snr == 10.0)?.frames;
    let losses: Vec<f64> = kept
        .iter()
        .zip(clipped)
        .map(|(kept, clipped)| 1.0 - kept + (CLIPPED_WEIGHT - 1.0) * clipped)
        .collect();
    let least = losses.iter().copied().reduce(f64::min)?;
    let mut order: Vec<usize> = (0..losses.len().min(names.len())).collect();
    order.sort_by(|&a, &b| losses[a].total_cmp(&losses[b]));
    let alike = |i: usize| losses[i] - least < ALIKE;
    let first = order
        .iter()
        .copied()
        .filter(|&i| alike(i))
        .min_by(|&a, &b| clipped[a].total_cmp(&clipped[b]))?;
    Some(BestFrame {
        file: names[first].clone(),
        criterion: Criterion::KeepsMost,
        value: kept[first],
        next: order.iter().find(|&&i| i != first).map(|&i| kept[i]),
        tied: others(names, first, alike),
    })
}

/// Names of the frames other than `leader` for which `holds` is true.
fn others(names: &[String], leader: usize, holds: impl Fn(usize) -> bool) -> Vec<String> {
    let other = |(i, name): (usize, &String)| (i != leader && holds(i)).then(|| name.clone());
    names.iter().enumerate().filter_map(other).collect()
}

/// The single frame that resolves most steps by `noise`; among frames with equally many, the one with the longest range
/// down to SNR 10, with the frames tied with it. `None` without a wedge.
pub fn best_on_wedge(frames: &[PictureMeasurement]) -> Option<BestFrame> {
    let frames: Vec<&PictureMeasurement> = frames.iter().filter(|p| p.levels.is_some()).collect();
    let names: Vec<String> = frames.iter().map(|p| p.file.clone()).collect();
    let levels: Vec<f64> = frames
        .iter()
        .map(|p| p.levels.map_or(0.0, |l| l.noise as f64))
        .collect();
    let (index, mut leader) = best(&names, &levels, Criterion::LevelsByNoise)?;
    if leader.next != Some(leader.value) {
        return Some(leader);
    }
    let ranges: Vec<Option<UsableStops>> = frames
        .iter()
        .zip(&levels)
        .map(|(p, n)| at_snr_10(p).filter(|_| *n == leader.value))
        .collect();
    let stops: Vec<f64> = ranges
        .iter()
        .map(|r| r.and_then(|u| u.stops).unwrap_or(f64::NEG_INFINITY))
        .collect();
    let Some((longest, mut first)) = best(&names, &stops, Criterion::StopsAtSnr10) else {
        leader.tied = others(&names, index, |i| levels[i] == leader.value);
        return Some(leader);
    };
    first.tied = others(&names, longest, |i| {
        let pair = ranges[longest].zip(ranges[i]);
        pair.is_some_and(|(longer, shorter)| tie(&longer, &shorter))
    });
    Some(first)
}

fn at_snr_10(picture: &PictureMeasurement) -> Option<UsableStops> {
    let found = picture.usable_stops.iter().find(|u| u.snr == 10.0);
    found.copied().filter(|u| u.stops.is_some())
}

/// True if the difference of two ranges lies within its 95 % interval: the half widths facing each other, added in
/// quadrature. A range without an interval is tied with every other.
fn tie(longer: &UsableStops, shorter: &UsableStops) -> bool {
    let halves = || Some((longer.stops? - longer.low95?).hypot(shorter.high95? - shorter.stops?));
    let difference = longer.stops.zip(shorter.stops).map(|(a, b)| a - b);
    match (difference, halves()) {
        (Some(difference), Some(halves)) => difference <= halves,
        _ => true,
    }
}

/// The frame with the largest finite number and the next largest number; first the frame's index.
fn best(names: &[String], numbers: &[f64], criterion: Criterion) -> Option<(usize, BestFrame)> {
    let mut order: Vec<usize> = (0..numbers.len().min(names.len()))
        .filter(|&i| numbers[i].is_finite())
        .collect();
    order.sort_by(|&a, &b| numbers[b].total_cmp(&numbers[a]));
    let first = *order.first()?;
    let best = BestFrame {
        file: names[first].clone(),
        criterion,
        value: numbers[first],
        next: order.get(1).map(|&i| numbers[i]),
        tied: Vec::new(),
    };
    Some((first, best))
}

#[cfg(test)]
mod tests {
    use super::*;
    use stopspan_core::results::{LevelCounts, Limit, PictureKind};

    fn held(snr: f64, frames: &[f64]) -> SharesAtSnr {
        SharesAtSnr {
            snr,
            frames: frames.to_vec(),
            merge: 1.0,
        }
    }

    fn frame(file: &str, levels: usize, range: [f64; 3]) -> PictureMeasurement {
        let mut frame = PictureMeasurement::unmeasured(PictureKind::Frame, file.to_owned());
        frame.levels = Some(LevelCounts {
            noise: levels,
            block: None,
            code: None,
            visual: levels,
            patch_mean: levels,
            longest_run: levels,
            reversals: 0,
            steps: 21,
            chart_limited: false,
        });
        let [low, stops, high] = range.map(Some);
        frame.usable_stops = vec![UsableStops {
            snr: 10.0,
            stops,
            low95: low,
            high95: high,
            limited_by: Limit::Noise,
            seen_stops: None,
            normalised: None,
        }];
        frame
    }

    #[test]
    fn ranges_within_each_others_interval_are_a_tie() {
        // 5.728 against 5.724, both +-0.02: half widths 0.028 together. 5.65 lies 0.078 below. The frame of fewer steps is
        // out, whatever its range.
        let frames = [
            frame("a", 18, [5.704, 5.724, 5.744]),
            frame("b", 18, [5.708, 5.728, 5.748]),
            frame("c", 18, [5.63, 5.65, 5.67]),
            frame("d", 17, [5.99, 6.0, 6.01]),
        ];
        let best = best_on_wedge(&frames).unwrap();
        assert_eq!(best.criterion, Criterion::StopsAtSnr10);
        assert_eq!((best.file.as_str(), best.tied), ("b", vec!["a".to_owned()]));
        let apart = best_on_wedge(&[frames[0].clone(), frames[2].clone()]).unwrap();
        assert!(apart.file == "a" && apart.tied.is_empty());
        let most = best_on_wedge(&frames[2..]).unwrap();
        assert!(most.criterion == Criterion::LevelsByNoise && most.tied.is_empty());
    }

    #[test]
    fn the_frame_that_loses_least_is_taken_and_highlights_count_twice() {
        let names = ["a", "b", "c"].map(String::from);
        let best = |kept: [f64; 3], clipped: [f64; 3]| {
            best_of_scene(&names, &[held(10.0, &kept)], &clipped).unwrap()
        };
        // b keeps most, but clips 8 %: its loss is 0.10 + 0.08, that of a 0.15.
        let dark = best([0.85, 0.90, 0.80], [0.0, 0.08, 0.2]);
        assert_eq!(
            (dark.file.as_str(), dark.value, dark.next),
            ("a", 0.85, Some(0.90))
        );
        assert!(dark.tied.is_empty() && dark.criterion == Criterion::KeepsMost);
        // Clipping 2 % alone is worth 5 % of noise.
        assert_eq!(best([0.85, 0.90, 0.80], [0.0, 0.02, 0.2]).file, "b");
        // Equal losses are a tie, led by the frame that clips least.
        let tie = best([0.85, 0.8996, 0.2], [0.0, 0.05, 0.8]);
        assert_eq!((tie.file.as_str(), tie.tied), ("a", vec!["b".to_owned()]));
        assert!(best_of_scene(&[], &[held(10.0, &[])], &[]).is_none());
    }
}
