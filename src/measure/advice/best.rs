//! The best single frame: of a scene by the share it holds, of a wedge by the steps it tells apart.
use super::result::{BestFrame, Criterion, Held};
use crate::measure::result::{PictureKind, PictureMeasurement};

/// Shares closer than this are taken as equal: the radiance of so many pixels is uncertain anyway.
const ALIKE: f64 = 0.001;

/// The frame that holds the largest share at SNR 10; where shares are alike, at SNR 40.
pub(super) fn best_of_scene(names: &[String], held: &[Held]) -> Option<BestFrame> {
    let at = |snr: f64| {
        held.iter()
            .find(|h| h.snr == snr)
            .map(|h| h.frames.as_slice())
    };
    let by = |shares: &[f64], criterion| best(names, shares, criterion);
    let (first, second) = (at(10.0)?, at(40.0));
    let leader = by(first, Criterion::ShareAtSnr10)?;
    let alike = |n: f64| (leader.value - n).abs() < ALIKE;
    match second {
        Some(second) if leader.next.is_some_and(alike) => {
            // Only frames alike in the first share stand for the second.
            let shares: Vec<f64> = first
                .iter()
                .zip(second)
                .map(|(a, b)| if alike(*a) { *b } else { f64::NEG_INFINITY })
                .collect();
            by(&shares, Criterion::ShareAtSnr40)
        }
        _ => Some(leader),
    }
}

/// The single frame that tells most steps apart by noise; where frames tell as many, the one with the longest range down
/// to SNR 10. `None` without a wedge.
pub fn best_on_wedge(pictures: &[PictureMeasurement]) -> Option<BestFrame> {
    let frames: Vec<&PictureMeasurement> = pictures
        .iter()
        .filter(|p| p.kind == PictureKind::Frame && p.levels.is_some())
        .collect();
    let names: Vec<String> = frames.iter().map(|p| p.file.clone()).collect();
    let levels: Vec<f64> = frames
        .iter()
        .map(|p| p.levels.map_or(0.0, |l| l.noise as f64))
        .collect();
    let leader = best(&names, &levels, Criterion::LevelsByNoise)?;
    if leader.next != Some(leader.value) {
        return Some(leader);
    }
    let range = |p: &PictureMeasurement| {
        let usable = p.usable_stops.iter().find(|u| u.snr == 10.0);
        usable.and_then(|u| u.stops).unwrap_or(f64::NEG_INFINITY)
    };
    let stops: Vec<f64> = frames
        .iter()
        .zip(&levels)
        .map(|(p, n)| {
            if *n == leader.value {
                range(p)
            } else {
                f64::NEG_INFINITY
            }
        })
        .collect();
    best(&names, &stops, Criterion::StopsAtSnr10).or(Some(leader))
}

/// The frame of the largest finite number, with the next one.
fn best(names: &[String], numbers: &[f64], criterion: Criterion) -> Option<BestFrame> {
    let mut order: Vec<usize> = (0..numbers.len().min(names.len()))
        .filter(|&i| numbers[i].is_finite())
        .collect();
    order.sort_by(|&a, &b| numbers[b].total_cmp(&numbers[a]));
    let first = *order.first()?;
    Some(BestFrame {
        file: names[first].clone(),
        criterion,
        value: numbers[first],
        next: order.get(1).map(|&i| numbers[i]),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn held(snr: f64, frames: &[f64]) -> Held {
        Held {
            snr,
            frames: frames.to_vec(),
            merge: 1.0,
        }
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
        assert!(best_of_scene(&[], &[held(10.0, &[])]).is_none());
    }
}
