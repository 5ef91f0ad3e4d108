//! Edge-based spatial frequency response of one slanted edge, after ISO 12233: centroids of the rows, a line through them,
//! a profile oversampled four times, its derivative, its spectrum.
use ndarray::{Array2, ArrayView2};
use std::f64::consts::PI;
use stopspan_core::results::FREQUENCY_STEP;
use stopspan_core::results::{EdgeResponse, Interval};
use stopspan_core::statistics::bootstrap::{Resampling, replicates};

/// Bins of the profile per pixel.
const FINE: f64 = 4.0;
/// Frequencies of the response, cycles per pixel: 0, 0.02, ... 1.
pub const FREQUENCIES: usize = 51;
/// Number of neighbouring rows resampled together.
const BLOCK: usize = 2;
const HOW: Resampling = Resampling {
    resamples: 200,
    seed: 22,
};

/// A straight edge in a window whose columns cross it. In row y the edge is at `at + slope * y` pixels from the window's
/// left border.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Position in row 0, pixels.
    pub at: f64,
    /// Slope, columns per row.
    pub slope: f64,
    /// Root mean square distance of the rows' centroids from the line, pixels.
    pub residual: f64,
}

impl Line {
    /// Angle between the edge and the columns, degrees.
    pub fn degrees(&self) -> f64 {
        self.slope.atan().to_degrees()
    }
}

/// The line of an edge: centroids of the rows' derivatives under a Hamming window, first about the window's centre, then
/// twice about the line. `None` if a row shows no edge.
pub fn line(window: ArrayView2<f64>) -> Option<Line> {
    let (rows, columns) = window.dim();
    if rows < 16 || columns < 16 {
        return None;
    }
    let mut line = Line {
        at: columns as f64 / 2.0,
        slope: 0.0,
        residual: f64::INFINITY,
    };
    let sign = sign(window);
    for width in [columns as f64, columns as f64 / 1.5, columns as f64 / 2.0] {
        let points: Option<Vec<f64>> = window
            .rows()
            .into_iter()
            .enumerate()
            .map(|(y, row)| {
                let centre = line.at + line.slope * y as f64;
                centroid(row.as_slice()?, centre, width, sign)
            })
            .collect();
        line = fit(&points?)?;
    }
    Some(line)
}

/// +1 if the right side is lighter, else -1.
fn sign(window: ArrayView2<f64>) -> f64 {
    let third = window.ncols() / 3;
    let left: f64 = window.slice(ndarray::s![.., ..third]).sum();
    let right: f64 = window
        .slice(ndarray::s![.., window.ncols() - third..])
        .sum();
    if right >= left { 1.0 } else { -1.0 }
}

/// Centroid of a row's derivative, times `sign`, under a Hamming window of `width` pixels about `centre`; `None` without a rise.
fn centroid(row: &[f64], centre: f64, width: f64, sign: f64) -> Option<f64> {
    let (mut sum, mut moment) = (0.0, 0.0);
    for (x, pair) in row.windows(2).enumerate() {
        let at = x as f64 + 1.0; // between the centres of pixels x and x + 1
        let off = (at - centre) / width;
        if off.abs() < 0.5 {
            let weight = 0.54 + 0.46 * (2.0 * PI * off).cos();
            let rise = weight * sign * (pair[1] - pair[0]);
            sum += rise;
            moment += rise * at;
        }
    }
    let found = moment / sum;
    (sum > 0.0 && found >= 0.0 && found <= row.len() as f64).then_some(found)
}

fn fit(points: &[f64]) -> Option<Line> {
    let n = points.len() as f64;
    let middle = (n - 1.0) / 2.0;
    let mean = points.iter().sum::<f64>() / n;
    let (mut xx, mut xy) = (0.0, 0.0);
    for (y, p) in points.iter().enumerate() {
        let d = y as f64 - middle;
        xx += d * d;
        xy += d * (p - mean);
    }
    let slope = xy / xx;
    let at = mean - slope * middle;
    let squares: f64 = points
        .iter()
        .enumerate()
        .map(|(y, p)| (p - at - slope * y as f64).powi(2))
        .sum();
    let residual = (squares / n).sqrt();
    residual.is_finite().then_some(Line {
        at,
        slope,
        residual,
    })
}

/// Sums of a block of rows over the bins of the profile.
#[derive(Debug, Clone)]
struct Block {
    sums: Vec<f64>,
    counts: Vec<f64>,
}

/// Response of the edge in a window of linear light. `scale` is the picture's pixels per pixel of the reference frame, to
/// which frequencies refer. Intervals are 95 % percentiles over resampled pairs of rows. `None` without an edge, or if the
/// response stays above 0.5 up to one cycle per pixel.
pub fn response(file: &str, window: ArrayView2<f64>, scale: f64) -> Option<EdgeResponse> {
    let line = line(window)?;
    let reach = profile_reach(window.dim(), &line)?;
    let blocks = blocks(window, &line, reach);
    let table = Spectrum::new(reach);
    let all: Vec<&Block> = blocks.iter().collect();
    let found = table.figures(&all)?;
    let mtf50 = found.crossing(0.5)?;
    let of = |value: f64, figure: &(dyn Fn(&Figures) -> Option<f64> + Sync), factor: f64| {
        let drawn = replicates(&blocks, HOW, |b| {
            figure(&table.figures(b)?).map(|v| v * factor)
        });
        Interval::of_replicates(value * factor, &drawn)
    };
    Some(EdgeResponse {
        file: file.to_owned(),
        mtf50: of(mtf50, &|f| f.crossing(0.5), scale),
        mtf10: found
            .crossing(0.1)
            .map(|v| of(v, &|f| f.crossing(0.1), scale)),
        overshoot: of(found.overshoot, &|f| Some(f.overshoot), 1.0),
        undershoot: of(found.undershoot, &|f| Some(f.undershoot), 1.0),
        response: resampled(&found.response, scale),
    })
}

/// The response at the standard frequencies in cycles per pixel of the reference frame.
fn resampled(response: &[f64], scale: f64) -> Vec<f64> {
    (0..FREQUENCIES)
        .map(|i| {
            let at = i as f64 / scale;
            let below = (at.floor() as usize).min(response.len() - 2);
            let share = (at - below as f64).clamp(0.0, 1.0);
            let value = response[below] + share * (response[below + 1] - response[below]);
            (value * 1e5).round() / 1e5
        })
        .collect()
}

/// Largest distance from the edge, pixels, that the window covers on both sides along the whole edge; `None` below 6.
fn profile_reach((rows, columns): (usize, usize), line: &Line) -> Option<f64> {
    let ends = [line.at, line.at + line.slope * (rows - 1) as f64];
    let room = ends
        .iter()
        .map(|x| x.min(columns as f64 - x))
        .fold(f64::INFINITY, f64::min);
    let reach = room / (1.0 + line.slope * line.slope).sqrt() - 1.0;
    (reach >= 6.0).then_some(reach.min(32.0))
}

fn blocks(window: ArrayView2<f64>, line: &Line, reach: f64) -> Vec<Block> {
    let bins = 2 * (reach * FINE) as usize;
    let cosine = 1.0 / (1.0 + line.slope * line.slope).sqrt();
    (0..window.nrows().div_ceil(BLOCK))
        .map(|b| {
            let mut block = Block {
                sums: vec![0.0; bins],
                counts: vec![0.0; bins],
            };
            for y in b * BLOCK..((b + 1) * BLOCK).min(window.nrows()) {
                let edge = line.at + line.slope * y as f64;
                for (x, &value) in window.row(y).iter().enumerate() {
                    let distance = (x as f64 + 0.5 - edge) * cosine;
                    let bin = (distance * FINE + bins as f64 / 2.0).floor();
                    if bin >= 0.0 && (bin as usize) < bins {
                        block.sums[bin as usize] += value;
                        block.counts[bin as usize] += 1.0;
                    }
                }
            }
            block
        })
        .collect()
}

/// Figures of one profile.
struct Figures {
    response: Vec<f64>,
    overshoot: f64,
    undershoot: f64,
}

impl Figures {
    /// Frequency at which the response first falls below `value`, cycles per pixel.
    fn crossing(&self, value: f64) -> Option<f64> {
        let i = self
            .response
            .windows(2)
            .position(|w| w[0] >= value && w[1] < value)?;
        let (a, b) = (self.response[i], self.response[i + 1]);
        Some((i as f64 + (a - value) / (a - b)) * FREQUENCY_STEP)
    }
}

/// Sines and cosines of all frequencies at the bins.
struct Spectrum {
    waves: Array2<[f64; 2]>,
}

impl Spectrum {
    fn new(reach: f64) -> Self {
        let bins = 2 * (reach * FINE) as usize;
        Spectrum {
            waves: Array2::from_shape_fn((FREQUENCIES, bins), |(k, i)| {
                let angle = 2.0 * PI * k as f64 * FREQUENCY_STEP * i as f64 / FINE;
                [angle.cos(), angle.sin()]
            }),
        }
    }

    fn figures(&self, blocks: &[&Block]) -> Option<Figures> {
        let profile = profile(blocks)?;
        let bins = profile.len();
        // Levels of the two sides, from their outer thirds, beyond any overshoot.
        let side = |range: std::ops::Range<usize>| {
            profile[range.clone()].iter().sum::<f64>() / range.len() as f64
        };
        let (left, right) = (side(0..bins / 5), side(bins - bins / 5..bins));
        let step = right - left;
        if step == 0.0 {
            return None;
        }
        let share = profile.iter().map(|v| (v - left) / step);
        let (low, high) = share.fold((0.0f64, 1.0f64), |(l, h), v| (l.min(v), h.max(v)));
        let (light, dark) = if step > 0.0 {
            (high - 1.0, -low)
        } else {
            (-low, high - 1.0)
        };
        let response = self.response(&profile);
        Some(Figures {
            response,
            overshoot: light,
            undershoot: dark,
        })
    }

    /// Derivative, Hamming window about its centroid, magnitude of the spectrum, normalised to 1 at 0. Differencing
    /// neighbouring bins and averaging within a bin each attenuate the response by sinc(f / 4); both are corrected (the
    /// standard requires the first), by at most a factor of 10.
    fn response(&self, profile: &[f64]) -> Vec<f64> {
        let rises: Vec<f64> = profile.windows(2).map(|w| w[1] - w[0]).collect();
        let total: f64 = rises.iter().sum();
        let moment: f64 = rises.iter().enumerate().map(|(i, r)| i as f64 * r).sum();
        let centre = (moment / total).clamp(0.0, rises.len() as f64);
        let half = centre.max(rises.len() as f64 - centre);
        let windowed: Vec<f64> = rises
            .iter()
            .enumerate()
            .map(|(i, r)| r * (0.54 + 0.46 * (PI * (i as f64 - centre) / half).cos()))
            .collect();
        let sum: f64 = windowed.iter().sum();
        (0..FREQUENCIES)
            .map(|k| {
                let (mut a, mut b) = (0.0, 0.0);
                for (v, w) in windowed.iter().zip(self.waves.row(k)) {
                    a += v * w[0];
                    b += v * w[1];
                }
                let x = PI * k as f64 * FREQUENCY_STEP / FINE;
                let lost = if k == 0 { 1.0 } else { (x.sin() / x).max(0.1) };
                a.hypot(b) / sum.abs() / (lost * lost)
            })
            .collect()
    }
}

/// Mean of each bin; empty bins are interpolated. `None` if more than a quarter are empty.
fn profile(blocks: &[&Block]) -> Option<Vec<f64>> {
    let bins = blocks.first()?.sums.len();
    let (mut sums, mut counts) = (vec![0.0; bins], vec![0.0; bins]);
    for block in blocks {
        for i in 0..bins {
            sums[i] += block.sums[i];
            counts[i] += block.counts[i];
        }
    }
    let known: Vec<usize> = (0..bins).filter(|&i| counts[i] > 0.0).collect();
    if 4 * known.len() < 3 * bins {
        return None;
    }
    let mean = |i: usize| sums[i] / counts[i];
    let bridge = |i: usize| {
        let next = known.partition_point(|&k| k < i);
        match (next.checked_sub(1).map(|p| known[p]), known.get(next)) {
            (Some(a), Some(&b)) => {
                let share = (i - a) as f64 / (b - a) as f64;
                mean(a) + share * (mean(b) - mean(a))
            }
            (Some(a), None) => mean(a),
            (None, b) => b.map_or(0.0, |&b| mean(b)),
        }
    };
    Some(
        (0..bins)
            .map(|i| if counts[i] > 0.0 { mean(i) } else { bridge(i) })
            .collect(),
    )
}

#[cfg(test)]
mod tests;
