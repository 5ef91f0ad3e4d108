//! Counts of resolved levels by each criterion.
use stopspan_core::results::{
    DecidingQuantity, JoinReason, Joined, JoinedBecause, LevelCounts, Pair,
};

/// 1 plus the number of resolved neighbouring pairs, by each criterion. `pairs` are all neighbouring pairs of a wedge.
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

/// Length of the longest run of consecutive steps resolved by `noise`, steps.
fn longest_run(pairs: &[Pair]) -> usize {
    let (mut best, mut run) = (1, 1);
    for pair in pairs {
        run = if pair.by_noise { run + 1 } else { 1 };
        best = best.max(run);
    }
    best
}

/// Neighbouring steps not resolved by `noise`, with the reason.
pub fn joined(pairs: &[Pair]) -> Vec<Joined> {
    pairs
        .iter()
        .filter_map(|p| Some(Joined(p.step, p.step + 1, p.reason?)))
        .collect()
}

/// The same pairs, each with the deciding number and its limit.
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::levels::{Criteria, pairs};
    use stopspan_core::results::{Patch, VisualWhite};

    /// A patch of 1000 independent samples with deviation 0.01.
    fn patch(step: usize, linear: f64, clipped: f64, crushed: f64) -> Patch {
        Patch {
            step,
            density: None,
            corners: stopspan_core::model::UNIT_SQUARE,
            size_px: [40.0, 40.0],
            guard_px: 10.0,
            pixels: 1000,
            effective_samples: 1000.0,
            code: None,
            code_deviation: None,
            linear,
            linear_deviation: 0.01,
            block_deviation: None,
            snr: linear / 0.01,
            clipped_share: clipped,
            crushed_share: crushed,
        }
    }

    fn seen(list: &[(f64, f64, f64)]) -> Vec<Pair> {
        let patches: Vec<Patch> = list
            .iter()
            .zip(1..)
            .map(|(p, step)| patch(step, p.0, p.1, p.2))
            .collect();
        let criteria = Criteria {
            code_step: 1.0,
            display_white: 250.0,
            white: VisualWhite::LightestStep,
            block_noise: None,
        };
        pairs(&patches, &criteria)
    }

    /// Counted by hand: separation = difference over 0.01, resolved from 1, in the right order and with at most 1 % of the
    /// pixels clipped.
    #[test]
    fn every_joined_pair_has_its_reason_and_number_and_the_counts_follow() {
        let pairs = seen(&[
            (1.0, 0.5, 0.0),
            (0.8, 0.0, 0.0),
            (0.6, 0.0, 0.0),
            (0.602, 0.0, 0.0),
            (0.59, 0.0, 0.0),
            (0.575, 0.0, 0.0),
            (0.57, 0.0, 0.0),
            (0.565, 0.0, 0.6),
            (0.4, 0.0, 0.0),
        ]);
        use DecidingQuantity as Q;
        use JoinReason as R;
        let expected = [
            (1, R::Clipped, Q::ClippedShare, 0.5, 0.01),
            (3, R::Order, Q::Separation, -0.2, 1.0),
            (6, R::Noise, Q::Separation, 0.5, 1.0),
            (7, R::Crushed, Q::CrushedShare, 0.6, 0.5),
        ];
        let because = joined_because(&pairs);
        assert_eq!(because.len(), expected.len(), "{because:?}");
        for (got, (step, reason, quantity, number, limit)) in because.iter().zip(expected) {
            assert_eq!(
                (got.step, got.reason, got.quantity),
                (step, reason, quantity)
            );
            assert!(
                (got.number - number).abs() < 1e-9 && got.limit == limit,
                "{got:?}"
            );
        }
        let plain: Vec<Joined> = expected.iter().map(|e| Joined(e.0, e.0 + 1, e.1)).collect();
        assert_eq!(joined(&pairs), plain);
        let levels = count(&pairs);
        assert_eq!((levels.noise, levels.steps), (5, 9));
        // Steps 4, 5, 6.
        assert_eq!(levels.longest_run, 3);
        assert_eq!(levels.reversals, 1);
        assert!(!levels.chart_limited);
    }

    #[test]
    fn a_wedge_told_apart_from_end_to_end_is_limited_by_the_chart() {
        let levels = count(&seen(&[(1.0, 0.0, 0.0), (0.8, 0.01, 0.0), (0.6, 0.0, 0.0)]));
        assert!(levels.chart_limited);
        assert_eq!(
            (levels.noise, levels.longest_run, levels.reversals),
            (3, 3, 0)
        );
        let levels = count(&seen(&[
            (1.0, 0.0, 0.0),
            (0.8, 0.011, 0.0),
            (0.6, 0.0, 0.0),
        ]));
        assert_eq!(levels.noise, 1, "1.1 % clipped");
    }
}
