//! The intensity map: which level of one frame corresponds to which level of another, from pairs of pixels.
use super::refine::look_up_row;
use ndarray::Array2;
use stopspan_core::raster::Transform;
use stopspan_core::statistics::isotonic::increasing;

/// Bins over the reference's levels.
const BINS: usize = 96;
/// Entries of the table.
const TABLE: usize = 1024;
/// Pairs a bin needs.
const ENOUGH: usize = 12;
/// Places from which every second row is left out.
const MANY: usize = 100_000;
/// Pairs in all that a map needs.
const ENOUGH_IN_ALL: usize = 200;

/// A rising map from levels of the reference to levels of a frame (the comparametric relation of Mann and Picard
/// 1995), valid between two levels.
#[derive(Debug, Clone)]
pub(super) struct IntensityMap {
    table: Vec<f32>,
    low: f32,
    high: f32,
}

impl IntensityMap {
    /// Measures the map on small luma planes through a (small) map: the median of the frame's levels for each bin of
    /// the reference's, from places without much texture, made to rise. `None` with too few pairs.
    pub fn measure(reference: &Array2<f32>, frame: &Array2<f32>, map: &Transform) -> Option<Self> {
        let bins = collect(reference, frame, map);
        let mut points: Vec<(f32, f32, f64)> = Vec::new();
        for mut pairs in bins {
            if pairs.len() < ENOUGH {
                continue;
            }
            let count = pairs.len();
            let at = pairs.iter().map(|p| p.0).sum::<f32>() / count as f32;
            let middle = count / 2;
            let median = pairs
                .select_nth_unstable_by(middle, |a, b| a.1.total_cmp(&b.1))
                .1
                .1;
            points.push((at, median, count as f64));
        }
        let pairs: f64 = points.iter().map(|p| p.2).sum();
        if points.len() < 4 || pairs < ENOUGH_IN_ALL as f64 {
            return None;
        }
        let (medians, counts): (Vec<f64>, Vec<f64>) =
            points.iter().map(|p| (f64::from(p.1), p.2)).unzip();
        for (point, value) in points.iter_mut().zip(increasing(&medians, &counts)?) {
            point.1 = value as f32;
        }
        let (low, high) = (points[0].0, points[points.len() - 1].0);
        let table = (0..=TABLE)
            .map(|i| interpolate(&points, i as f32 / TABLE as f32))
            .collect();
        Some(IntensityMap { table, low, high })
    }

    /// The frame's level for a level of the reference, and the slope there; NaN outside what was measured.
    #[inline]
    pub fn at(&self, level: f32) -> (f32, f32) {
        if !(level >= self.low && level <= self.high) {
            return (f32::NAN, f32::NAN);
        }
        let position = level * TABLE as f32;
        let index = (position as usize).min(TABLE - 1);
        let rise = self.table[index + 1] - self.table[index];
        (
            self.table[index] + (position - index as f32) * rise,
            rise * TABLE as f32,
        )
    }
}

fn collect(reference: &Array2<f32>, frame: &Array2<f32>, map: &Transform) -> Vec<Vec<(f32, f32)>> {
    let (rows, columns) = reference.dim();
    let mut bins = vec![Vec::new(); BINS];
    let mut line = vec![0f32; columns];
    // Of many rows every second one says as much.
    let step = if rows * columns > MANY { 2 } else { 1 };
    for r in (1..rows.saturating_sub(1)).step_by(step) {
        look_up_row(frame, map, r, &mut line);
        for c in 1..columns.saturating_sub(1) {
            let here = reference[[r, c]];
            let texture = (reference[[r, c + 1]] - reference[[r, c - 1]]).abs()
                + (reference[[r + 1, c]] - reference[[r - 1, c]]).abs();
            if here <= super::signal::CRUSHED || here >= super::signal::CLIPPED || texture > 0.15 {
                continue;
            }
            let seen = line[c];
            if seen > super::signal::CRUSHED && seen < super::signal::CLIPPED {
                bins[((here * BINS as f32) as usize).min(BINS - 1)].push((here, seen));
            }
        }
    }
    bins
}

fn interpolate(points: &[(f32, f32, f64)], at: f32) -> f32 {
    let after = points
        .partition_point(|p| p.0 < at)
        .clamp(1, points.len() - 1);
    let (a, b) = (points[after - 1], points[after]);
    a.1 + (at - a.0) / (b.0 - a.0).max(1e-6) * (b.1 - a.1)
}
