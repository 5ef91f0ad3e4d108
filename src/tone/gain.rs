//! Local gain: the effect of a filter on the small plane, transferred to full resolution along edges.
use ndarray::Array2;

/// Radius of the fit's window, pixels of the small plane.
const RADIUS: usize = 2;
/// Variance below which a window counts as flat, stops squared.
const FLAT: f64 = 0.01;
/// Lower limit on the slope of gain against log luminance; above -1, the order of luminances in a window is
/// preserved.
const STEEPEST: f64 = -0.9;

/// A gain in stops as a local linear function of log2 luminance, `slope * log + offset`, fitted in windows of the
/// small plane and interpolated between them: the fast guided filter of He and Sun (2015), after He, Sun and Tang
/// (2013).
pub(super) struct Gain {
    slope: Array2<f32>,
    offset: Array2<f32>,
    block: usize,
}

impl Gain {
    /// Fits the gain from `guide` to `filtered`, both log2 luminance of blocks of `block` pixels.
    pub fn fit(guide: &Array2<f32>, filtered: &Array2<f32>, block: usize) -> Self {
        let guide = guide.mapv(f64::from);
        let gain = filtered.mapv(f64::from) - &guide;
        let (mean_g, mean_t) = (box_mean(&guide), box_mean(&gain));
        let mean_gg = box_mean(&(&guide * &guide));
        let mean_gt = box_mean(&(&guide * &gain));
        let covariance = mean_gt - &mean_g * &mean_t;
        let variance = mean_gg - &mean_g * &mean_g;
        let slope =
            (covariance / (variance.mapv(|v| v.max(0.0)) + FLAT)).mapv(|a| a.clamp(STEEPEST, 4.0));
        let offset = mean_t - &slope * &mean_g;
        Gain {
            slope: box_mean(&slope).mapv(|v| v as f32),
            offset: box_mean(&offset).mapv(|v| v as f32),
            block,
        }
    }

    /// Position of each pixel of a row of `columns` between block centres (index of the left one, fraction); equal
    /// for all rows.
    pub fn across(&self, columns: usize) -> Vec<(u32, f32)> {
        let blocks = self.slope.ncols();
        let at = |column: usize| {
            let (left, _, t) = neighbouring_blocks(column, self.block, blocks);
            (left as u32, t)
        };
        (0..if blocks == 0 { 0 } else { columns }).map(at).collect()
    }

    /// Adds the gain to one row of log2 luminance. `across` comes from [`Gain::across`]; `lines` is scratch space for
    /// the interpolated coefficients of the row.
    pub fn add_to_row(
        &self,
        row: usize,
        logs: &mut [f32],
        across: &[(u32, f32)],
        lines: &mut Vec<[f32; 2]>,
    ) {
        let (rows, columns) = self.slope.dim();
        if rows == 0 || columns == 0 {
            return;
        }
        let (top, below, t) = neighbouring_blocks(row, self.block, rows);
        lines.clear();
        // Repeats the last, so that every block has a right neighbour.
        lines.extend((0..=columns).map(|c| {
            let c = c.min(columns - 1);
            let mix = |p: &Array2<f32>| p[[top, c]] + t * (p[[below, c]] - p[[top, c]]);
            [mix(&self.slope), mix(&self.offset)]
        }));
        for (log, &(left, t)) in logs.iter_mut().zip(across) {
            let left = left as usize;
            let (a, b) = (lines[left], lines[left + 1]);
            let slope = a[0] + t * (b[0] - a[0]);
            let offset = a[1] + t * (b[1] - a[1]);
            *log += slope * *log + offset;
        }
    }
}

/// Indices of the two blocks whose centres enclose that of a pixel, and the fraction towards the second.
#[inline]
fn neighbouring_blocks(pixel: usize, block: usize, blocks: usize) -> (usize, usize, f32) {
    let at = (pixel as f32 + 0.5) / block as f32 - 0.5;
    let first = at.max(0.0) as usize;
    let first = first.min(blocks - 1);
    let t = (at - first as f32).clamp(0.0, 1.0);
    (first, (first + 1).min(blocks - 1), t)
}

/// Mean over a square window of radius [`RADIUS`], clipped at the borders.
fn box_mean(plane: &Array2<f64>) -> Array2<f64> {
    let mut across = plane.clone();
    for mut row in across.rows_mut() {
        let line: Vec<f64> = row.to_vec();
        running_mean(&line, |i, mean| row[i] = mean);
    }
    let rows = across.nrows();
    let mut out = Array2::zeros(across.dim());
    for (r, mut target) in out.rows_mut().into_iter().enumerate() {
        let (low, high) = (r.saturating_sub(RADIUS), (r + RADIUS + 1).min(rows));
        for k in low..high {
            target += &across.row(k);
        }
        target /= (high - low) as f64;
    }
    out
}

fn running_mean(line: &[f64], mut put: impl FnMut(usize, f64)) {
    for i in 0..line.len() {
        let (low, high) = (i.saturating_sub(RADIUS), (i + RADIUS + 1).min(line.len()));
        put(i, line[low..high].iter().sum::<f64>() / (high - low) as f64);
    }
}

/// Two quantiles (probabilities 0..=1) of a plane; 0 if it is empty.
pub(super) fn quantiles(plane: &Array2<f32>, low: f64, high: f64) -> (f64, f64) {
    let mut values: Vec<f32> = plane.iter().copied().collect();
    if values.is_empty() {
        return (0.0, 0.0);
    }
    let last = values.len() - 1;
    let mut pick = |share: f64| {
        let index = (share * last as f64).round() as usize;
        f64::from(*values.select_nth_unstable_by(index, f32::total_cmp).1)
    };
    (pick(low), pick(high))
}
