//! Ranks of cameras by intervals. Only what is separated is ranked: a lower bound is an interval without an upper end, and two rows that
//! the data do not decide between get no rank.
use stopspan_core::results::{
    CameraRow, Limit, NotRanked, Pair, PictureMeasurement, RankedFigure, RankedPicture, Standing,
    Undecided, UsableStops,
};

/// Standard normal quantile for the ends of a 95 % interval.
const Z: f64 = 1.959_963_984_540_054;

/// A figure as an interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Span {
    /// Lower end.
    low: f64,
    /// Upper end; infinite for a lower bound.
    high: f64,
    /// True if both ends are known, or the figure is a lower bound.
    known: bool,
    /// Number of steps on the wedge that was counted, for counts.
    wedge: Option<usize>,
}

impl Span {
    /// A range in stops: its 95 % interval; if the wedge ends first, everything from its lower end up.
    pub fn of_range(usable: &UsableStops) -> Option<Self> {
        let stops = usable.stops.filter(|s| s.is_finite())?;
        let bound = usable.limited_by == Limit::Wedge;
        let ends = usable.low95.zip(usable.high95);
        Some(Span {
            low: usable.low95.unwrap_or(stops),
            high: match ends {
                _ if bound => f64::INFINITY,
                Some((_, high)) => high,
                None => stops,
            },
            known: bound || ends.is_some(),
            wedge: None,
        })
    }

    /// A count of resolved steps: pairs whose separation is at least 1 by more than its 95 % interval are counted at the lower end,
    /// those that reach 1 within it at the upper end. Where means of 8 x 8 pixels resolve fewer steps, compression hid the noise, and
    /// their count is the lower end. Without an upper end if every step is resolved.
    pub fn of_count(picture: &PictureMeasurement) -> Option<Self> {
        let levels = picture.levels?;
        let shift = |sign: f64| {
            let told = |pair: &&Pair| reaches(picture, pair, sign);
            1 + picture.pairs.iter().filter(told).count()
        };
        let (low, high) = match picture.pairs.is_empty() {
            true => (levels.noise, levels.noise),
            false => (shift(-Z).min(levels.noise), shift(Z).max(levels.noise)),
        };
        let bound = levels.chart_limited || high >= levels.steps;
        Some(Span {
            low: low.min(levels.block.unwrap_or(low)) as f64,
            high: if bound { f64::INFINITY } else { high as f64 },
            known: true,
            wedge: Some(levels.steps),
        })
    }

    fn is_bound(&self) -> bool {
        self.high.is_infinite()
    }
}

/// True if a pair is resolved with its separation moved by `quantile` standard uncertainties. Pairs that are clipped, black or out of
/// order stay as they are. The variance of a separation d of patches with n1 and n2 independent samples is 1/n1 + 1/n2 +
/// d^2 (1/n1 + 1/n2) / 8, by propagation from means and deviations of normal samples.
fn reaches(picture: &PictureMeasurement, pair: &Pair, quantile: f64) -> bool {
    let decided_otherwise = pair.by_noise != (pair.separation >= 1.0);
    let samples = |step: usize| {
        let patch = picture.patches.iter().find(|p| p.step == step);
        patch.map(|p| p.effective_samples.max(2.0))
    };
    let (Some(one), Some(other), false) = (
        samples(pair.step),
        samples(pair.step + 1),
        decided_otherwise,
    ) else {
        return pair.by_noise;
    };
    let inverse = 1.0 / one + 1.0 / other;
    let uncertainty = (inverse * (1.0 + pair.separation.powi(2) / 8.0)).sqrt();
    pair.separation + quantile * uncertainty >= 1.0
}

/// The intervals of one row, by which it is ranked.
pub(super) type Spans = [[Option<Span>; 3]; 5];

/// Intervals of pictures in the order of [`RankedPicture::ALL`].
pub(super) fn spans(pictures: [Option<&PictureMeasurement>; 5]) -> Spans {
    pictures.map(|picture| {
        let range = |snr| picture.and_then(|p| Span::of_range(p.at_snr(snr)?));
        let count = picture.and_then(Span::of_count);
        [range(1.0), range(10.0), count]
    })
}

/// Enters the standing of every row by every figure that at least two rows have.
pub(super) fn rank(rows: &mut [CameraRow], spans: &[Spans]) {
    let names: Vec<String> = rows.iter().map(|r| r.bracket.clone()).collect();
    for (p, picture) in RankedPicture::ALL.into_iter().enumerate() {
        for (f, figure) in RankedFigure::ALL.into_iter().enumerate() {
            let column: Vec<Option<Span>> = spans.iter().map(|s| s[p][f]).collect();
            if column.iter().flatten().count() < 2 {
                continue;
            }
            for (index, row) in rows.iter_mut().enumerate() {
                if let Some(found) = stand(&column, index, &names) {
                    row.standings.push(Standing {
                        picture,
                        figure,
                        ..found
                    });
                }
            }
        }
    }
    for row in rows {
        let rank = |figure| {
            row.standing(RankedPicture::Merge, figure)
                .and_then(|s| s.rank)
        };
        (row.rank_stops, row.rank_levels) = (rank(RankedFigure::Stops), rank(RankedFigure::Levels));
    }
}

/// The standing of one interval among all.
fn stand(column: &[Option<Span>], index: usize, names: &[String]) -> Option<Standing> {
    let own = column[index]?;
    let mut out = Standing {
        picture: RankedPicture::Merge,
        figure: RankedFigure::Stops,
        rank: None,
        best: 1,
        worst: column.iter().flatten().count(),
        tied: Vec::new(),
        undecided: Vec::new(),
    };
    for (i, (other, name)) in column.iter().zip(names).enumerate() {
        let Some(span) = other.as_ref().filter(|_| i != index) else {
            continue;
        };
        match against(&own, span) {
            Against::Above => out.best += 1,
            Against::Below => out.worst -= 1,
            Against::Tied => out.tied.push(name.clone()),
            Against::Undecided(reason) => out.undecided.push(Undecided {
                bracket: name.clone(),
                reason,
            }),
        }
    }
    out.rank = out.undecided.is_empty().then_some(out.best);
    Some(out)
}

/// Where another row lies against one.
#[derive(Debug, PartialEq)]
enum Against {
    Above,
    Below,
    Tied,
    Undecided(NotRanked),
}

fn against(own: &Span, other: &Span) -> Against {
    if own.wedge != other.wedge {
        return Against::Undecided(NotRanked::OtherWedge);
    }
    if !(own.known && other.known) {
        return Against::Undecided(NotRanked::NoInterval);
    }
    if other.low > own.high {
        return Against::Above;
    }
    if own.low > other.high {
        return Against::Below;
    }
    match (own.is_bound(), other.is_bound()) {
        (false, false) => Against::Tied,
        (true, true) => Against::Undecided(NotRanked::WedgeTooShortForBoth),
        (true, false) => Against::Undecided(NotRanked::WedgeTooShortForThis),
        (false, true) => Against::Undecided(NotRanked::WedgeTooShortForOther),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn closed(low: f64, high: f64) -> Option<Span> {
        Some(Span {
            low,
            high,
            known: true,
            wedge: None,
        })
    }

    fn bound(low: f64) -> Option<Span> {
        closed(low, f64::INFINITY)
    }

    fn standings(column: &[Option<Span>]) -> Vec<Option<Standing>> {
        let names: Vec<String> = (0..column.len()).map(|i| format!("c{i}")).collect();
        (0..column.len())
            .map(|i| stand(column, i, &names))
            .collect()
    }

    fn ranks(column: &[Option<Span>]) -> Vec<Option<usize>> {
        let found = standings(column);
        found.iter().map(|s| s.as_ref()?.rank).collect()
    }

    #[test]
    fn the_worst_of_three_is_last_and_two_bounds_are_not_ranked() {
        // Two cameras that hold more than the wedge has, and one that holds less: only the last is separated from both.
        let column = [bound(9.6), bound(9.4), closed(8.0, 8.2)];
        assert_eq!(ranks(&column), [None, None, Some(3)]);
        let found = standings(&column);
        let first = found[0].as_ref().unwrap();
        assert_eq!((first.best, first.worst), (1, 2));
        assert_eq!(first.undecided[0].reason, NotRanked::WedgeTooShortForBoth);
        assert_eq!(first.undecided.len(), 1);
    }

    #[test]
    fn a_bound_below_an_interval_decides_nothing() {
        let column = [bound(7.0), closed(8.0, 8.2)];
        let found = standings(&column);
        let reason = |i: usize| found[i].as_ref().unwrap().undecided[0].reason;
        assert_eq!(ranks(&column), [None, None]);
        assert_eq!(reason(0), NotRanked::WedgeTooShortForThis);
        assert_eq!(reason(1), NotRanked::WedgeTooShortForOther);
    }

    #[test]
    fn overlapping_intervals_share_a_rank_and_what_is_missing_counts_for_nothing() {
        let column = [closed(9.0, 9.4), closed(9.3, 9.7), closed(8.0, 8.5), None];
        assert_eq!(ranks(&column), [Some(1), Some(1), Some(3), None]);
        let found = standings(&column);
        assert_eq!(found[0].as_ref().unwrap().tied, ["c1"]);
        assert!(found[3].is_none());
    }

    #[test]
    fn no_interval_no_rank() {
        let mut bare = closed(8.0, 8.0).unwrap();
        bare.known = false;
        let column = [Some(bare), closed(9.0, 9.1)];
        assert_eq!(ranks(&column), [None, None]);
    }

    /// Random cameras with a known order: of their intervals, drawn to hold the truth, no rank ever contradicts the truth.
    #[test]
    fn ranks_never_contradict_the_truth() {
        let mut state = 7u64;
        let mut random = || {
            state = state.wrapping_mul(6364136223846793005).wrapping_add(1);
            (state >> 33) as f64 / (1u64 << 31) as f64
        };
        let mut ranked = 0;
        for _ in 0..500 {
            let truth: Vec<f64> = (0..4).map(|_| 7.0 + 4.0 * random()).collect();
            let end = 8.0 + 3.0 * random();
            let column: Vec<Option<Span>> = truth
                .iter()
                .map(|t| match *t > end {
                    true => bound(end - 0.3 * random()),
                    false => closed(t - 0.3 * random(), t + 0.3 * random()),
                })
                .collect();
            for (one, found) in truth.iter().zip(standings(&column)) {
                let found = found.unwrap();
                let rank = 1 + truth.iter().filter(|t| *t > one).count();
                assert!(
                    (found.best..=found.worst).contains(&rank),
                    "{truth:?} {column:?}"
                );
                if found.rank.is_some() && found.tied.is_empty() {
                    assert_eq!(found.rank, Some(rank));
                    ranked += 1;
                }
            }
        }
        assert!(ranked > 200, "{ranked}");
    }
}
