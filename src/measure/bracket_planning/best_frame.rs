//! The best single frame: of a scene by the share it records, of a wedge by the steps it resolves.
use stopspan_core::results::{BestFrame, Criterion, SharesAtSnr};
use stopspan_core::results::{PictureMeasurement, UsableStops};

/// Difference of shares below which they count as equal.
const ALIKE: f64 = 0.001;

/// The frame that records the largest share at SNR 10; among frames of equal share, at SNR 40.
pub(super) fn best_of_scene(names: &[String], held: &[SharesAtSnr]) -> Option<BestFrame> {
    let at = |snr: f64| {
        held.iter()
            .find(|h| h.snr == snr)
            .map(|h| h.frames.as_slice())
    };
    let by = |shares: &[f64], criterion| best(names, shares, criterion);
    let (first, second) = (at(10.0)?, at(40.0));
    let (index, mut leader) = by(first, Criterion::ShareAtSnr10)?;
    let alike = |n: f64| (leader.value - n).abs() < ALIKE;
    match second {
        Some(second) if leader.next.is_some_and(alike) => {
            // Only frames of equal share at SNR 10 compete at SNR 40.
            let shares: Vec<f64> = first
                .iter()
                .zip(second)
                .map(|(a, b)| if alike(*a) { *b } else { f64::NEG_INFINITY })
                .collect();
            let (index, mut leader) = by(&shares, Criterion::ShareAtSnr40)?;
            leader.tied = others(names, index, |i| (leader.value - shares[i]).abs() < ALIKE);
            Some(leader)
        }
        _ => {
            leader.tied = others(names, index, |i| alike(first[i]));
            Some(leader)
        }
    }
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
    fn the_share_at_snr_10_decides_and_at_snr_40_where_that_does_not() {
        let names = ["a", "b", "c"].map(String::from);
        let clear = best_of_scene(
            &names,
            &[held(10.0, &[0.7, 0.9, 0.8]), held(40.0, &[0.5; 3])],
        );
        let clear = clear.unwrap();
        assert_eq!(
            (clear.file.as_str(), clear.value, clear.next),
            ("b", 0.9, Some(0.8))
        );
        let close = [
            held(10.0, &[0.9, 0.9004, 0.2]),
            held(40.0, &[0.6, 0.5, 0.8]),
        ];
        let close = best_of_scene(&names, &close).unwrap();
        assert_eq!(close.file, "a");
        assert_eq!(close.criterion, Criterion::ShareAtSnr40);
        assert_eq!(close.next, Some(0.5));
        assert!(clear.tied.is_empty() && close.tied.is_empty());
        let same = [held(10.0, &[0.9, 0.9004, 0.2]), held(40.0, &[0.6; 3])];
        assert_eq!(best_of_scene(&names, &same).unwrap().tied, ["b"]);
        assert!(best_of_scene(&[], &[held(10.0, &[])]).is_none());
    }
}
