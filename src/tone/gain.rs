//! Local gain: the effect of a filter on the small plane, transferred to full resolution along edges.
use super::hold_back::Kept;
use ndarray::{Array2, Zip};
use rayon::prelude::*;

/// Radius of the fit's window, pixels of the small plane.
const RADIUS: usize = 2;
/// Largest fall of the gain against log luminance, as a share of the slope of what it is added to.
const STEEPEST: f64 = 0.9;

/// A gain as a local linear function of log2 luminance, `slope * log + offset`, fitted in windows of the small plane and
/// interpolated between them: the fast guided filter of He and Sun (2015), after He, Sun and Tang (2013).
pub(super) struct Gain {
    slope: Array2<f32>,
    offset: Array2<f32>,
    /// Share of colour kept, 0..=1; empty where all of it is.
    colour: Array2<f32>,
    block: usize,
}

impl Gain {
    /// Fits `gain` to `guide`, log2 luminance of blocks of `block` pixels. `flat` is the variance below which a window
    /// counts as flat, stops squared. The slope is at least -[`STEEPEST`] times `own`, the slope of what the gain is added to at
    /// a log2 luminance: the order of luminances in a window is preserved.
    pub fn fit(
        guide: &Array2<f32>,
        gain: &Array2<f32>,
        block: usize,
        flat: f64,
        own: impl Fn(f64) -> f64,
    ) -> Self {
        if block == 1 {
            return Gain {
                slope: Array2::zeros(guide.dim()),
                offset: gain.clone(),
                colour: Array2::zeros((0, 0)),
                block,
            };
        }
        let (guide, gain) = (guide.mapv(f64::from), gain.mapv(f64::from));
        let (mean_g, mut offset) = (blurred(&guide), blurred(&gain));
        let mut slope = blurred(&(&guide * &gain));
        drop(gain);
        let mean_gg = blurred(&(&guide * &guide));
        drop(guide);
        // In place, from the means of gain and of the product: planes are large.
        Zip::from(&mut slope)
            .and(&mut offset)
            .and(&mean_g)
            .and(&mean_gg)
            .for_each(|slope, offset, &mean, &square| {
                let covariance = *slope - mean * *offset;
                let variance = (square - mean * mean).max(0.0);
                let spread = 2.0 * variance.sqrt();
                let least = own(mean - spread).min(own(mean)).min(own(mean + spread));
                *slope = (covariance / (variance + flat)).clamp(-STEEPEST * least, 4.0);
                *offset -= *slope * mean;
            });
        Gain {
            slope: blurred(&slope).mapv(|v| v as f32),
            offset: blurred(&offset).mapv(|v| v as f32),
            colour: Array2::zeros((0, 0)),
            block,
        }
    }

    /// Holds detail about the mean of the surroundings, and colour, back to what is `kept`. `own` is the slope of the
    /// tone scale to which the gain is added.
    pub fn hold_back(&mut self, guide: &Array2<f32>, kept: Kept, own: impl Fn(f32) -> f32) {
        let still = kept.still;
        let mean = blurred(&guide.mapv(f64::from)).mapv(|v| v as f32);
        let here = &self.slope * &mean + &self.offset;
        let around = blurred(&here.mapv(f64::from));
        let means = mean.iter().zip(&here).zip(&around).zip(&kept.detail);
        let coefficients = self.slope.iter_mut().zip(&mut self.offset);
        for ((slope, offset), (((mean, here), around), kept)) in coefficients.zip(means) {
            let held = kept * *slope - still * (1.0 - kept) * own(*mean);
            let around = *around as f32;
            *offset = around + kept * (here - around) - held * mean;
            *slope = held;
        }
        self.colour = kept.colour;
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

    /// Adds the gain for one row of log2 luminance to `tones`. `across` comes from [`Gain::across`]; `lines` is scratch
    /// space for the interpolated coefficients of the row.
    pub fn add_to_row(
        &self,
        row: usize,
        (logs, tones): (&[f32], &mut [f32]),
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
        for ((log, tone), &(left, t)) in logs.iter().zip(tones).zip(across) {
            let left = left as usize;
            let (a, b) = (lines[left], lines[left + 1]);
            let slope = a[0] + t * (b[0] - a[0]);
            let offset = a[1] + t * (b[1] - a[1]);
            *tone += slope * *log + offset;
        }
    }

    /// Share of colour kept in one row of pixels; 1 where nothing is held back.
    pub fn colour_of_row(&self, row: usize, across: &[(u32, f32)], to: &mut [f32]) {
        let (rows, columns) = self.colour.dim();
        if rows == 0 || columns == 0 {
            return;
        }
        let (top, below, t) = neighbouring_blocks(row, self.block, rows);
        let mix = |c: usize| {
            let (a, b) = (self.colour[[top, c]], self.colour[[below, c]]);
            a + t * (b - a)
        };
        for (value, &(left, t)) in to.iter_mut().zip(across) {
            let left = left as usize;
            let (a, b) = (mix(left), mix((left + 1).min(columns - 1)));
            *value = a + t * (b - a);
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
pub(super) fn blurred(plane: &Array2<f64>) -> Array2<f64> {
    let (rows, columns) = plane.dim();
    let plane = plane.as_standard_layout();
    let mut out = Array2::zeros((rows, columns));
    let (Some(from), Some(to)) = (plane.as_slice(), out.as_slice_mut()) else {
        return out;
    };
    to.par_chunks_mut(columns.max(1))
        .enumerate()
        .for_each(|(r, to)| {
            let (low, high) = (r.saturating_sub(RADIUS), (r + RADIUS + 1).min(rows));
            let mut sums = vec![0.0; columns];
            for row in from[low * columns..high * columns].chunks_exact(columns) {
                for (sum, value) in sums.iter_mut().zip(row) {
                    *sum += value;
                }
            }
            let deep = (high - low) as f64;
            for (c, to) in to.iter_mut().enumerate() {
                let (left, right) = (c.saturating_sub(RADIUS), (c + RADIUS + 1).min(columns));
                *to = sums[left..right].iter().sum::<f64>() / ((right - left) as f64 * deep);
            }
        });
    out
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
