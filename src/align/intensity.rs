//! The intensity map: level of a frame as a function of the level of the reference frame, from pairs of pixels.
use super::refine::look_up_row;
use ndarray::Array2;
use stopspan_core::raster::Transform;
use stopspan_core::statistics::isotonic::increasing;

/// Number of bins over the levels of the reference frame.
const BINS: usize = 96;
/// Number of intervals of the table.
const TABLE: usize = 1024;
/// Minimum number of pairs in a bin.
const MIN_PAIRS_PER_BIN: usize = 12;
/// Number of pixels above which every second row is skipped.
const MANY_PIXELS: usize = 100_000;
/// Minimum total number of pairs.
const MIN_PAIRS: usize = 200;

/// Non-decreasing map from levels of the reference frame to levels of a frame (the comparametric relation of Mann and Picard 1995),
/// valid from level `low` to `high` of the reference frame.
#[derive(Debug, Clone)]
pub(super) struct IntensityMap {
    /// Levels of the frame at equidistant levels 0..=1 of the reference frame, `TABLE + 1` entries.
    table: Vec<f32>,
    low: f32,
    high: f32,
}

impl IntensityMap {
    /// Measures the map on small luma planes, the frame's mapped by `map` (pixels of these planes): the median level of the frame for
    /// each bin of levels of the reference frame, from pixels with little texture, followed by an isotonic fit. `None` with too few
    /// pairs.
    pub fn measure(reference: &Array2<f32>, frame: &Array2<f32>, map: &Transform) -> Option<Self> {
        let bins = collect(reference, frame, map);
        let mut points: Vec<BinMedian> = Vec::new();
        for mut pairs in bins {
            if pairs.len() < MIN_PAIRS_PER_BIN {
                continue;
            }
            let count = pairs.len();
            let at = pairs.iter().map(|p| p.0).sum::<f32>() / count as f32;
            let middle = count / 2;
            let median = pairs
                .select_nth_unstable_by(middle, |a, b| a.1.total_cmp(&b.1))
                .1
                .1;
            points.push(BinMedian {
                reference: at,
                frame: median,
                count: count as f64,
            });
        }
        let pairs: f64 = points.iter().map(|p| p.count).sum();
        if points.len() < 4 || pairs < MIN_PAIRS as f64 {
            return None;
        }
        let (medians, counts): (Vec<f64>, Vec<f64>) =
            points.iter().map(|p| (f64::from(p.frame), p.count)).unzip();
        for (point, value) in points.iter_mut().zip(increasing(&medians, &counts)?) {
            point.frame = value as f32;
        }
        let (low, high) = (points[0].reference, points[points.len() - 1].reference);
        let table = (0..=TABLE)
            .map(|i| interpolate(&points, i as f32 / TABLE as f32))
            .collect();
        Some(IntensityMap { table, low, high })
    }

    /// Level of the frame for a level of the reference frame, and the slope there; NaN outside the measured range.
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

/// Median level of one bin.
#[derive(Clone, Copy)]
struct BinMedian {
    /// Mean level of the reference frame.
    reference: f32,
    /// Median level of the frame.
    frame: f32,
    /// Number of pairs.
    count: f64,
}

/// Pairs of levels (reference frame, frame) of pixels with little texture, by bin.
fn collect(reference: &Array2<f32>, frame: &Array2<f32>, map: &Transform) -> Vec<Vec<(f32, f32)>> {
    let (rows, columns) = reference.dim();
    let mut bins = vec![Vec::new(); BINS];
    let mut line = vec![0f32; columns];
    // Of many rows every second one suffices.
    let step = if rows * columns > MANY_PIXELS { 2 } else { 1 };
    for r in (1..rows.saturating_sub(1)).step_by(step) {
        look_up_row(frame, map, r, &mut line);
        for c in 1..columns.saturating_sub(1) {
            let here = reference[[r, c]];
            let texture = (reference[[r, c + 1]] - reference[[r, c - 1]]).abs()
                + (reference[[r + 1, c]] - reference[[r - 1, c]]).abs();
            if here <= super::signal::CRUSHED || here >= super::signal::CLIPPED || texture > 0.15 {
                continue;
            }
            let there = line[c];
            if there > super::signal::CRUSHED && there < super::signal::CLIPPED {
                bins[((here * BINS as f32) as usize).min(BINS - 1)].push((here, there));
            }
        }
    }
    bins
}

/// Level of the frame at level `at` of the reference frame, linearly between the bins and extrapolated beyond.
fn interpolate(points: &[BinMedian], at: f32) -> f32 {
    let after = points
        .partition_point(|p| p.reference < at)
        .clamp(1, points.len() - 1);
    let (a, b) = (points[after - 1], points[after]);
    a.frame + (at - a.reference) / (b.reference - a.reference).max(1e-6) * (b.frame - a.frame)
}
