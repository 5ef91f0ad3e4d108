//! The tone curve of a finished picture: level against the merge's radiance over all flat cells, monotone.
use super::cells::Cells;
use rand::Rng;
use rayon::prelude::*;
use stopspan_core::results::Knot;
use stopspan_core::statistics::bootstrap::{percentile_interval, random_stream};
use stopspan_core::statistics::isotonic;

/// Bins per stop.
const BINS: f64 = 6.0;
/// Smallest number of flat cells in a bin.
const FEWEST: usize = 8;
/// Smallest number of knots of a curve.
const KNOTS: usize = 6;
/// Number of resamples of the tiles.
const RESAMPLES: usize = 200;
/// Largest number of flat cells used.
const ENOUGH: usize = 40_000;

/// A monotone curve with a lookup table.
#[derive(Debug, Clone)]
pub struct Curve {
    /// Knots, darkest first.
    pub knots: Vec<Knot>,
    table: Vec<f32>,
    /// Levels at the knots, one list per resample.
    resampled: Vec<Vec<f64>>,
}

/// One cell: log2 radiance, level, tile.
type Place = (f64, f64, usize);

impl Curve {
    /// The curve through the medians of bins of a sixth of a stop, made monotone by pooling adjacent violators (Barlow,
    /// Bartholomew, Bremner and Brunk 1972). Intervals are 95 % percentiles over resampled tiles of the frame, so that
    /// neighbouring cells do not count as independent. `None` with fewer than six bins of eight flat cells.
    pub fn measure(cells: &Cells) -> Option<Self> {
        let flat: Vec<usize> = (0..cells.list.len())
            .filter(|&i| cells.list[i].flat())
            .collect();
        let stride = flat.len().div_ceil(ENOUGH).max(1);
        let places: Vec<Place> = flat
            .iter()
            .step_by(stride)
            .map(|&i| {
                let cell = &cells.list[i];
                (cell.stops(), f64::from(cell.level[1]), cells.tile_of(i))
            })
            .collect();
        let bins = bins(&places);
        if bins.len() < KNOTS {
            return None;
        }
        let tiles = cells.tiles().0 * cells.tiles().1;
        let (knots, resampled) = knots(&bins, tiles)?;
        let table = table(&knots);
        Some(Curve {
            knots,
            table,
            resampled,
        })
    }

    /// Level at log2 radiance `stops`: linear between knots, constant beyond the ends.
    pub fn at(&self, stops: f64) -> f64 {
        at(&self.knots, stops)
    }

    /// d level / d stop at `stops`, over a third of a stop, >= 0.
    pub fn slope(&self, stops: f64) -> f64 {
        let half = 1.0 / BINS;
        (self.at(stops + half) - self.at(stops - half)) / (2.0 * half)
    }

    /// log2 radiance at which the curve reaches `level`: the inverse of [`Curve::at`], extrapolated with the end slopes.
    pub fn stops_at(&self, level: f64) -> f64 {
        let upper = self
            .knots
            .partition_point(|k| k.level < level)
            .clamp(1, self.knots.len() - 1);
        let (a, b) = (self.knots[upper - 1], self.knots[upper]);
        let rise = (b.level - a.level).max(1e-6);
        a.stops + (level - a.level) / rise * (b.stops - a.stops)
    }

    /// Level of a radiance, from a table with entries 1/128 apart in relative radiance.
    pub fn level(&self, radiance: f32) -> f32 {
        self.table[(radiance.max(0.0).to_bits() >> 16) as usize % self.table.len()]
    }

    /// A figure of the curve for every resample of the tiles.
    pub fn drawn(&self, figure: impl Fn(&dyn Fn(f64) -> f64) -> f64) -> Vec<f64> {
        let mut knots = self.knots.clone();
        let mut one = |levels: &Vec<f64>| {
            knots.iter_mut().zip(levels).for_each(|(k, l)| k.level = *l);
            figure(&|stops| at(&knots, stops))
        };
        self.resampled.iter().map(&mut one).collect()
    }

    /// log2 radiance of the first and last knot.
    pub fn ends(&self) -> (f64, f64) {
        (self.knots[0].stops, self.knots[self.knots.len() - 1].stops)
    }
}

fn at(knots: &[Knot], stops: f64) -> f64 {
    let upper = knots
        .partition_point(|k| k.stops < stops)
        .clamp(1, knots.len() - 1);
    let (a, b) = (knots[upper - 1], knots[upper]);
    let share = ((stops - a.stops) / (b.stops - a.stops)).clamp(0.0, 1.0);
    a.level + share * (b.level - a.level)
}

/// Levels indexed by the upper 16 bits of a positive float.
fn table(knots: &[Knot]) -> Vec<f32> {
    (0u32..0x7f80)
        .map(|i| {
            let radiance = f64::from(f32::from_bits(i << 16 | 0x8000));
            at(knots, radiance.log2()) as f32
        })
        .collect()
}

/// Cells by bin, darkest bin first, each bin sorted by level; bins with too few cells are left out.
fn bins(places: &[Place]) -> Vec<Vec<Place>> {
    let number = |p: &Place| (p.0 * BINS).floor() as i64;
    let mut sorted: Vec<Place> = places.iter().filter(|p| p.0.is_finite()).copied().collect();
    sorted.sort_by(|a, b| number(a).cmp(&number(b)).then(a.1.total_cmp(&b.1)));
    sorted
        .chunk_by(|a, b| number(a) == number(b))
        .filter(|bin| bin.len() >= FEWEST)
        .map(<[Place]>::to_vec)
        .collect()
}

/// Knots, and their levels for every resample.
fn knots(bins: &[Vec<Place>], tiles: usize) -> Option<(Vec<Knot>, Vec<Vec<f64>>)> {
    let ones = vec![1; tiles];
    let weights: Vec<f64> = bins.iter().map(|b| b.len() as f64).collect();
    let stops: Vec<f64> = bins.iter().map(|b| middle(b)).collect();
    let bins = levelled(bins, &stops);
    let curve = |counts: &[u32]| -> Option<Vec<f64>> {
        let levels: Option<Vec<f64>> = bins.iter().map(|b| median(b, counts)).collect();
        isotonic::increasing(&levels?, &weights)
    };
    let levels = curve(&ones)?;
    let drawn: Vec<Vec<Option<f64>>> = (0..RESAMPLES)
        .into_par_iter()
        .map(|index| {
            let mut random = random_stream(20, index);
            let mut counts = vec![0u32; tiles];
            for _ in 0..tiles {
                counts[random.random_range(0..tiles)] += 1;
            }
            bins.iter().map(|b| median(b, &counts)).collect()
        })
        .collect();
    let knot = |(i, (&stops, &level)): (usize, (&f64, &f64))| {
        let found: Vec<f64> = drawn.iter().filter_map(|d| d[i]).collect();
        let several = bins[i].iter().any(|p| p.2 != bins[i][0].2);
        let ends = percentile_interval(&found, 0.95).filter(|_| several);
        Knot {
            stops,
            level,
            low95: ends.map(|e| e.0.min(level)),
            high95: ends.map(|e| e.1.max(level)),
        }
    };
    // A bin missing from a resample keeps its own level, so that every resample is a complete curve.
    let whole = drawn.iter().filter_map(|d| {
        let filled: Vec<f64> = d
            .iter()
            .zip(&levels)
            .map(|(v, l)| v.unwrap_or(*l))
            .collect();
        isotonic::increasing(&filled, &weights)
    });
    let knots = stops.iter().zip(&levels).enumerate().map(knot).collect();
    Some((knots, whole.collect()))
}

/// The bins with every level shifted along the curve's slope to the bin's median radiance, sorted by level. Otherwise the
/// median level of a bin need not belong to its median radiance: cells lie in clusters (two columns of a ramp, say), and of
/// two equal clusters one median takes the upper, the other the middle.
fn levelled(bins: &[Vec<Place>], stops: &[f64]) -> Vec<Vec<Place>> {
    let rough: Vec<f64> = bins
        .iter()
        .map(|bin| {
            median(
                bin,
                &vec![1; bin.iter().map(|p| p.2 + 1).max().unwrap_or(0)],
            )
        })
        .map(|level| level.unwrap_or(0.0))
        .collect();
    let levelled = |(i, bin): (usize, &Vec<Place>)| {
        let (below, above) = (i.saturating_sub(1), (i + 1).min(bins.len() - 1));
        let rise = (rough[above] - rough[below]) / (stops[above] - stops[below]);
        let slope = rise.max(0.0);
        let mut moved: Vec<Place> = bin
            .iter()
            .map(|p| (p.0, p.1 - slope * (p.0 - stops[i]), p.2))
            .collect();
        moved.sort_by(|a, b| a.1.total_cmp(&b.1));
        moved
    };
    bins.iter().enumerate().map(levelled).collect()
}

/// Median log2 radiance of a bin.
fn middle(bin: &[Place]) -> f64 {
    stopspan_core::statistics::robust::median(&bin.iter().map(|p| p.0).collect::<Vec<_>>())
        .unwrap_or(0.0)
}

/// Median level of a bin (sorted by level) with every tile weighted by its count in the resample; between two levels their
/// mean.
fn median(bin: &[Place], counts: &[u32]) -> Option<f64> {
    let total: u32 = bin.iter().map(|p| counts[p.2]).sum();
    let (mut seen, mut lower) = (0, None);
    for place in bin.iter().filter(|p| counts[p.2] > 0) {
        if let Some(lower) = lower {
            return Some((lower + place.1) / 2.0);
        }
        seen += counts[place.2];
        if 2 * seen > total {
            return Some(place.1);
        }
        lower = (2 * seen == total).then_some(place.1);
    }
    None
}
