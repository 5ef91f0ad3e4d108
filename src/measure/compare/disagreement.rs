//! Groups of cells in which the finished picture disagrees with the merge beyond the tone curve of their surroundings.
use super::cells::Cells;
use super::tone_curve::Curve;

/// Bins per stop of the local curve.
const BINS: f64 = 2.0;
/// Smallest number of cells of similar radiance for a local offset.
const FEWEST: usize = 12;
/// Smallest disagreement, level 0..=1 (about eight codes of 255). Ours, without a source.
const LEAST: f64 = 0.03;
/// Smallest number of cells in a group.
const SMALLEST: usize = 4;

/// Tiles either way that count as surroundings; a ghost must cover less than half of them.
const AROUND: usize = 2;

/// Offset of the surroundings of each tile (five by five tiles) from the global curve, by radiance.
pub struct Expected {
    low: f64,
    bins: usize,
    offsets: Vec<Option<f32>>,
    /// Typical deviation of the finished picture's level in flat cells.
    quiet: f64,
    slopes: Vec<f64>,
}

impl Expected {
    /// Median of level minus curve over the cells of similar radiance in each tile and those around it.
    pub fn of(cells: &Cells, curve: &Curve) -> Self {
        let (low, high) = curve.ends();
        let bins = ((high - low) * BINS).ceil().max(1.0) as usize;
        let (down, across) = cells.tiles();
        let mut members: Vec<Vec<f32>> = vec![Vec::new(); down * across * bins];
        let mut spread = Vec::new();
        for (index, cell) in cells.list.iter().enumerate() {
            if let Some(bin) = bin(cell.stops(), low, bins).filter(|_| cell.sound()) {
                members[cells.tile_of(index) * bins + bin].push(cell.level[1] - cell.predicted);
            }
            if cell.flat() {
                spread.push(cell.level_deviation);
            }
        }
        let around = |tile: usize, bin: usize| {
            let (row, column) = (tile / across, tile % across);
            let mut values = Vec::new();
            for r in row.saturating_sub(AROUND)..(row + AROUND + 1).min(down) {
                for c in column.saturating_sub(AROUND)..(column + AROUND + 1).min(across) {
                    values.extend_from_slice(&members[(r * across + c) * bins + bin]);
                }
            }
            let half = values.len() / 2;
            (values.len() >= FEWEST).then(|| *values.select_nth_unstable_by(half, f32::total_cmp).1)
        };
        let offsets = (0..down * across * bins)
            .map(|i| around(i / bins, i % bins))
            .collect();
        let half = spread.len() / 2;
        let quiet = if spread.is_empty() {
            0.0
        } else {
            f64::from(*spread.select_nth_unstable_by(half, f32::total_cmp).1)
        };
        let slopes = (0..bins)
            .map(|b| curve.slope(low + (b as f64 + 0.5) / BINS))
            .collect();
        Expected {
            low,
            bins,
            offsets,
            quiet,
            slopes,
        }
    }

    /// Offset (level minus curve) of a cell's surroundings at this log2 radiance; `None` with too few cells of similar
    /// radiance.
    pub fn offset(&self, cells: &Cells, cell: usize, stops: f64) -> Option<f32> {
        let bin = bin(stops, self.low, self.bins)?;
        self.offsets[cells.tile_of(cell) * self.bins + bin]
    }

    /// True if the cell's disagreement exceeds its noise, its texture and [`LEAST`].
    fn disagrees(&self, cells: &Cells, index: usize) -> bool {
        let cell = &cells.list[index];
        if !cell.usable || cell.radiance[1] <= 0.0 {
            return false;
        }
        let Some(bin) = bin(cell.stops(), self.low, self.bins) else {
            return false;
        };
        let Some(offset) = self.offset(cells, index, cell.stops()) else {
            return false;
        };
        let samples = f64::from(cell.samples).sqrt();
        let merge = f64::from(cell.noise) * std::f64::consts::LOG2_E * self.slopes[bin] / samples;
        let camera = 2.0 * self.quiet / samples;
        // Allowance for texture where the pictures are misregistered by up to a fifth of a pixel.
        let texture = 0.1 * f64::from(cell.level_deviation);
        let allowed = LEAST.max(4.0 * merge.hypot(camera)) + texture;
        f64::from(cell.level[1] - cell.predicted - offset).abs() > allowed
    }
}

fn bin(stops: f64, low: f64, bins: usize) -> Option<usize> {
    let at = ((stops - low) * BINS).floor();
    (at >= -1.0 && at <= bins as f64).then(|| (at.max(0.0) as usize).min(bins - 1))
}

/// Connected groups of disagreeing cells, largest first.
pub struct Places {
    /// Indices of the cells, one list per group.
    pub list: Vec<Vec<usize>>,
}

impl Places {
    /// Groups of at least four cells; cells that touch at corners are connected.
    pub fn of(cells: &Cells, expected: &Expected) -> Self {
        let mut open: Vec<bool> = (0..cells.list.len())
            .map(|i| expected.disagrees(cells, i))
            .collect();
        let mut list = Vec::new();
        for start in 0..open.len() {
            if !open[start] {
                continue;
            }
            open[start] = false;
            let mut group = vec![start];
            let mut next = 0;
            while next < group.len() {
                neighbours(cells, group[next], |n| {
                    if std::mem::take(&mut open[n]) {
                        group.push(n);
                    }
                });
                next += 1;
            }
            if group.len() >= SMALLEST {
                list.push(group);
            }
        }
        list.sort_by(|a, b| b.len().cmp(&a.len()).then(a[0].cmp(&b[0])));
        Places { list }
    }
}

fn neighbours(cells: &Cells, index: usize, mut visit: impl FnMut(usize)) {
    let (row, column) = (index / cells.columns, index % cells.columns);
    for r in row.saturating_sub(1)..(row + 2).min(cells.rows) {
        for c in column.saturating_sub(1)..(column + 2).min(cells.columns) {
            visit(r * cells.columns + c);
        }
    }
}
