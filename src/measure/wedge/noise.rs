//! Noise of one patch: slope of the light, correlation between pixels, block means, outliers.
use super::interior::Sample;
use super::patch::BlockSum;
use std::collections::BTreeMap;

/// Largest lag of the autocorrelation, pixels.
const FARTHEST: usize = 8;
/// Smallest number of samples for an autocorrelation.
const FEWEST: usize = 16;
/// Side of a block, pixels: a JPEG block (ITU-T T.81).
pub(super) const BLOCK: usize = 8;

/// A plane fitted to the samples: mean, and slopes along rows and columns per pixel about the centroid.
pub(super) struct Plane {
    centre: (f64, f64),
    pub mean: f64,
    slope: (f64, f64),
}

impl Plane {
    /// Least-squares fit.
    pub fn fit(samples: &[Sample]) -> Self {
        let n = samples.len() as f64;
        let mean_of = |f: fn(&Sample) -> f64| samples.iter().map(f).sum::<f64>() / n;
        let centre = (mean_of(|s| s.row as f64), mean_of(|s| s.column as f64));
        let mean = mean_of(|s| s.linear);
        let (mut rr, mut rc, mut cc, mut rv, mut cv) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for s in samples {
            let (r, c) = (s.row as f64 - centre.0, s.column as f64 - centre.1);
            let v = s.linear - mean;
            rr += r * r;
            rc += r * c;
            cc += c * c;
            rv += r * v;
            cv += c * v;
        }
        let determinant = rr * cc - rc * rc;
        let slope = if determinant > 1e-9 * (rr * cc).max(1e-300) {
            (
                (rv * cc - cv * rc) / determinant,
                (cv * rr - rv * rc) / determinant,
            )
        } else {
            (0.0, 0.0)
        };
        Plane {
            centre,
            mean,
            slope,
        }
    }

    /// Deviation of a sample from the plane.
    pub fn residual(&self, s: &Sample) -> f64 {
        s.linear
            - self.mean
            - self.slope.0 * (s.row as f64 - self.centre.0)
            - self.slope.1 * (s.column as f64 - self.centre.1)
    }
}

/// Extent of the noise correlation between pixels.
pub(super) struct Correlation {
    /// Sum of the autocorrelation over all lags: the factor on the variance of a mean relative to white noise.
    pub of_mean: f64,
    /// Sum of the squared autocorrelation: the same factor for the variance of a variance.
    pub of_variance: f64,
}

/// Autocorrelation sums, ring by ring of lags out to 8 pixels (less in small patches), up to the first ring whose sum is
/// not significant at two standard deviations (in the manner of the initial positive sequence of Geyer 1992). Corrected for
/// the fitted plane, whose three parameters lower every lag by about 3/n of the sum.
pub(super) fn correlation(samples: &[Sample], residuals: &[f64]) -> Correlation {
    let mut found = Correlation {
        of_mean: 1.0,
        of_variance: 1.0,
    };
    let grid = Grid::of(samples, residuals);
    let zero = residuals.iter().map(|v| v * v).sum::<f64>();
    let n = samples.len() as f64;
    if zero <= 0.0 || samples.len() < FEWEST {
        return found;
    }
    let reach = FARTHEST.min(grid.rows.min(grid.columns) / 4);
    let mut lags = 0.0;
    for ring in 1..=reach {
        let rho = grid.ring(ring, zero);
        let (sum, squares) = (
            rho.iter().sum::<f64>(),
            rho.iter().map(|r| r * r).sum::<f64>(),
        );
        if sum < 2.0 * (rho.len() as f64 / n).sqrt() {
            break;
        }
        lags = (2 * ring + 1).pow(2) as f64;
        found.of_mean += 2.0 * sum;
        found.of_variance += 2.0 * (squares - rho.len() as f64 / n).max(0.0);
    }
    found.of_mean /= 1.0 - (3.0 * lags / n).min(0.5);
    found
}

/// Residuals on their pixel grid, 0 without a sample.
struct Grid {
    rows: usize,
    columns: usize,
    values: Vec<f64>,
}

impl Grid {
    fn of(samples: &[Sample], residuals: &[f64]) -> Self {
        let top = samples.iter().map(|s| s.row).min().unwrap_or(0);
        let left = samples.iter().map(|s| s.column).min().unwrap_or(0);
        let rows = samples.iter().map(|s| s.row - top + 1).max().unwrap_or(0);
        let columns = samples
            .iter()
            .map(|s| s.column - left + 1)
            .max()
            .unwrap_or(0);
        let mut values = vec![0.0; rows * columns];
        for (s, r) in samples.iter().zip(residuals) {
            values[(s.row - top) * columns + s.column - left] = *r;
        }
        Grid {
            rows,
            columns,
            values,
        }
    }

    /// Autocorrelation at half of the lags of one ring; the other half is equal by symmetry.
    fn ring(&self, ring: usize, zero: f64) -> Vec<f64> {
        let end = ring as isize;
        let inner = (0..ring).flat_map(|dr| [(dr, end), (dr, -end)]);
        let outer = (-end..=end).map(|dc| (ring, dc));
        inner
            .chain(outer)
            .filter(|&(dr, dc)| dr > 0 || dc > 0)
            .map(|(dr, dc)| self.product(dr, dc) / zero)
            .collect()
    }

    /// Sum of products of residuals `dr` rows and `dc` columns apart.
    fn product(&self, dr: usize, dc: isize) -> f64 {
        let (start, width) = (dc.unsigned_abs(), self.columns - dc.unsigned_abs());
        (0..self.rows - dr)
            .map(|r| {
                let (a, b) = (r * self.columns, (r + dr) * self.columns);
                let (a, b) = if dc >= 0 {
                    (a, b + start)
                } else {
                    (a + start, b)
                };
                let (first, second) = (&self.values[a..a + width], &self.values[b..b + width]);
                first.iter().zip(second).map(|(x, y)| x * y).sum::<f64>()
            })
            .sum()
    }
}

/// Sums over blocks of 8 x 8 pixels aligned to the picture's own grid, whole blocks only.
pub(super) fn blocks(samples: &[Sample], residuals: &[f64]) -> Vec<BlockSum> {
    let mut found: BTreeMap<(usize, usize), BlockSum> = BTreeMap::new();
    for (s, r) in samples.iter().zip(residuals) {
        let block = found.entry((s.row / BLOCK, s.column / BLOCK)).or_default();
        block.pixels += 1.0;
        block.sum += r;
        block.squares += r * r;
    }
    let whole = (BLOCK * BLOCK) as f64;
    found.into_values().filter(|b| b.pixels == whole).collect()
}

/// Standard deviation of block means times 8; `None` with fewer than 8 blocks.
pub(super) fn block_deviation(blocks: &[BlockSum]) -> Option<f64> {
    if blocks.len() < 8 {
        return None;
    }
    let n = blocks.len() as f64;
    let mean = blocks.iter().map(|b| b.sum / b.pixels).sum::<f64>() / n;
    let squares: f64 = blocks
        .iter()
        .map(|b| (b.sum / b.pixels - mean).powi(2))
        .sum();
    Some((squares / (n - 1.0)).sqrt() * BLOCK as f64)
}

/// Ratio of the standard deviation of all samples to the one implied by the central 96 % of a normal distribution: 1 for
/// noise, more for dust, a scratch or an edge. Samples within `smallest` of the centre never count as outliers.
pub(super) fn tail_ratio(residuals: &[f64], smallest: f64) -> f64 {
    // Variance of a normal variable cut at its 2 % and 98 % points: 1 - 2 z phi(z)/0.96 with z = 2.053749.
    const CUT_VARIANCE: f64 = 0.792_836;
    let n = residuals.len();
    let cut = n / 50;
    if cut < 1 {
        return 1.0;
    }
    let mut sorted = residuals.to_vec();
    sorted.sort_by(f64::total_cmp);
    let outermost = sorted[n - 1].max(-sorted[0]);
    let core = &sorted[cut..n - cut];
    let mean = core.iter().sum::<f64>() / core.len() as f64;
    let variance = core.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / core.len() as f64;
    let robust = (variance / CUT_VARIANCE).sqrt();
    if outermost <= smallest.max(6.0 * robust) {
        return 1.0;
    }
    let all = (residuals.iter().map(|v| v * v).sum::<f64>() / n as f64).sqrt();
    all / robust.max(smallest / 6.0)
}
