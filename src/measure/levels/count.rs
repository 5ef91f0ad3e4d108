//! Levels told apart, counted by each criterion.
use crate::measure::result::{
    DecidingQuantity, JoinReason, Joined, JoinedBecause, LevelCounts, Pair,
};

/// 1 + number of resolved neighbouring pairs by each criterion. `pairs` are those of all neighbours of a wedge.
pub fn count(pairs: &[Pair]) -> LevelCounts {
    let by = |told: fn(&Pair) -> bool| 1 + pairs.iter().filter(|p| told(p)).count();
    let noise = by(|p| p.by_noise);
    let has_codes = pairs.iter().any(|p| p.by_code.is_some());
    let has_blocks = pairs.iter().any(|p| p.by_block.is_some());
    LevelCounts {
        noise,
        block: has_blocks.then(|| by(|p| p.by_block == Some(true))),
        code: has_codes.then(|| by(|p| p.by_code == Some(true))),
        visual: by(|p| p.by_visual),
        patch_mean: by(|p| p.by_mean),
        longest_run: longest_run(pairs),
        reversals: pairs
            .iter()
            .filter(|p| p.reason == Some(JoinReason::Order))
            .count(),
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

/// The same pairs with the number that decided each and its limit.
pub fn joined_because(pairs: &[Pair]) -> Vec<JoinedBecause> {
    let because = |p: &Pair| {
        let reason = p.reason?;
        Some(JoinedBecause {
            step: p.step,
            reason,
            quantity: match reason {
                JoinReason::Clipped => DecidingQuantity::ClippedShare,
                JoinReason::Crushed => DecidingQuantity::CrushedShare,
                JoinReason::Noise | JoinReason::Order => DecidingQuantity::Separation,
            },
            number: p.decided_by,
            limit: p.limit,
        })
    };
    pairs.iter().filter_map(because).collect()
}
