//! Levels told apart, counted by each criterion.
use crate::measure::result::{Joined, LevelCounts, Pair};

/// 1 + number of resolved neighbouring pairs by each criterion. `pairs` are those of all neighbours of a wedge.
pub fn count(pairs: &[Pair]) -> LevelCounts {
    let by = |told: fn(&Pair) -> bool| 1 + pairs.iter().filter(|p| told(p)).count();
    let noise = by(|p| p.by_noise);
    let has_codes = pairs.iter().any(|p| p.by_code.is_some());
    LevelCounts {
        noise,
        code: has_codes.then(|| by(|p| p.by_code == Some(true))),
        visual: by(|p| p.by_visual),
        patch_mean: by(|p| p.by_mean),
        longest_run: longest_run(pairs),
        steps: pairs.len() + 1,
        chart_limited: noise == pairs.len() + 1,
    }
}

/// Steps in the longest unbroken run told apart by `noise`.
fn longest_run(pairs: &[Pair]) -> usize {
    let (mut best, mut run) = (1, 1);
    for pair in pairs {
        run = if pair.by_noise { run + 1 } else { 1 };
        best = best.max(run);
    }
    best
}

/// Neighbours that run together by `noise`, with the reason.
pub fn joined(pairs: &[Pair]) -> Vec<Joined> {
    pairs
        .iter()
        .filter_map(|p| Some(Joined(p.step, p.step + 1, p.reason?)))
        .collect()
}
