//! Figures over the frame with intervals from resampled tiles, so that neighbouring cells do not count as independent.
use stopspan_core::results::{Difference, Interval};
use stopspan_core::statistics::bootstrap::{Resampling, replicates};

const HOW: Resampling = Resampling {
    resamples: 200,
    seed: 23,
};
/// Smallest number of tiles for an interval.
const FEWEST: usize = 4;

/// Values of every cell of one tile; the columns are figures of the same cell (for instance camera and merge).
pub type Tile<const N: usize> = Vec<[f64; N]>;

/// A statistic over the cells of all tiles, with its interval.
pub fn figure<const N: usize>(
    tiles: &[Tile<N>],
    statistic: impl Fn(&[&[f64; N]]) -> Option<f64> + Sync,
) -> Option<Interval> {
    let all: Vec<&[f64; N]> = tiles.iter().flatten().collect();
    let value = statistic(&all)?;
    let seen: Vec<&Tile<N>> = tiles.iter().filter(|t| !t.is_empty()).collect();
    if seen.len() < FEWEST {
        return Some(Interval::without_interval(value));
    }
    let drawn = replicates(&seen, HOW, |d| {
        statistic(&d.iter().flat_map(|t| t.iter()).collect::<Vec<_>>())
    });
    Some(Interval::of_replicates(value, &drawn))
}

/// Median of one column.
pub fn median<const N: usize>(tiles: &[Tile<N>], column: usize) -> Option<Interval> {
    figure(tiles, |places| middle(places, |p| p[column]))
}

/// Difference of the medians of two columns, from the same resamples.
pub fn median_difference<const N: usize>(
    tiles: &[Tile<N>],
    first: usize,
    second: usize,
) -> Option<Difference> {
    let of =
        |places: &[&[f64; N]]| Some(middle(places, |p| p[first])? - middle(places, |p| p[second])?);
    figure(tiles, of).map(Difference::from)
}

/// Mean of a value over all cells, without those where it is not finite.
pub fn mean<const N: usize>(
    tiles: &[Tile<N>],
    value: impl Fn(&[f64; N]) -> f64,
) -> Option<Interval> {
    let sums: Vec<(f64, f64)> = tiles
        .iter()
        .map(|tile| {
            let finite = tile.iter().map(&value).filter(|v| v.is_finite());
            finite.fold((0.0, 0.0), |(s, n), v| (s + v, n + 1.0))
        })
        .filter(|t| t.1 > 0.0)
        .collect();
    let of = |drawn: &[&(f64, f64)]| {
        let (sum, count) = drawn
            .iter()
            .fold((0.0, 0.0), |(s, n), t| (s + t.0, n + t.1));
        (count > 0.0).then(|| sum / count)
    };
    let value = of(&sums.iter().collect::<Vec<_>>())?;
    if sums.len() < FEWEST {
        return Some(Interval::without_interval(value));
    }
    Some(Interval::of_replicates(value, &replicates(&sums, HOW, of)))
}

fn middle<const N: usize>(places: &[&[f64; N]], value: impl Fn(&[f64; N]) -> f64) -> Option<f64> {
    let mut values: Vec<f64> = places
        .iter()
        .map(|p| value(p))
        .filter(|v| v.is_finite())
        .collect();
    let half = values.len() / 2;
    (!values.is_empty()).then(|| *values.select_nth_unstable_by(half, f64::total_cmp).1)
}
