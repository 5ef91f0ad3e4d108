//! The default response estimator: a table of log exposure, least squares on block means, smooth around a generalised
//! gamma curve.
//!
//! The observation equation and the curvature penalty are those of Debevec and Malik (1997); the differences are that
//! the samples are block means with weights from their own noise at the level *predicted* from all frames; that the
//! curvature is measured in stops of exposure and only of what departs from a generalised gamma curve (Ng, Chang and
//! Tsui 2007); and that exposures between the two ends are estimated together with the table. The span from the first to
//! the last frame is never estimated: if a curve and a span fit the pixels, so does every power of both (Grossberg and
//! Nayar 2003).
use super::blocks::BlockSamples;
use super::gamma_basis;
use nalgebra::{DMatrix, DVector};

/// Table entries: one for each 8-bit code.
pub(crate) const NODES: usize = 256;
/// The entry held at log exposure 0 while fitting.
const PIN: usize = 128;
/// Weight of squared curvature (stops per stop^2, integrated over stops) against the squared residual in standard
///
const STIFFNESS: f64 = 1e6;
/// Lowest code predicted for a block to be used: below it the black end rectifies noise.
const LOWEST_CODE: f64 = 3.0;
/// Texture inside a block above this many stops makes its mean code depend on the curve's bend.
const TEXTURE_STOPS: f64 = 0.2;
/// Largest standard deviation inside a block, codes.
const TEXTURE_CODES: f64 = 6.0;
/// Rounds of reweighting; the table moves by less than 0.001 stop after the fourth.
const ROUNDS: usize = 5;

/// A fitted table for one channel.
#[derive(Debug, Clone)]
pub(crate) struct TableFit {
    /// log2 exposure at codes 0..=255, 0 at code 128.
    pub log2_exposure: Vec<f64>,
    /// Standard uncertainty of each entry relative to code 128, stops.
    pub uncertainty: Vec<f64>,
    /// log2 exposure of each frame, same origin as the stated ones.
    pub exposures: Vec<f64>,
    /// Standard uncertainty of each, stops; 0 for those held.
    pub exposure_uncertainty: Vec<f64>,
    /// Lowest and highest code that samples supported.
    pub supported: (f64, f64),
    /// Blocks used (valid in two frames or more).
    pub samples: usize,
    /// Root mean square residual, stops.
    pub residual_stops: f64,
    /// How many blocks support each code.
    pub coverage: Vec<f64>,
}

/// One sample's part in one frame.
#[derive(Clone, Copy)]
struct Sighting {
    frame: usize,
    node: usize,
    fraction: f64,
    weight: f64,
}

/// Fits one channel. `stated` are log2 exposures in increasing order; `held[j]` says which are not estimated (at least
/// the first and the last).
pub(crate) fn fit(samples: &BlockSamples, stated: &[f64], held: &[bool]) -> Option<TableFit> {
    let mut state = State::start(stated);
    let mut last = None;
    for round in 0..ROUNDS {
        let sightings = state.sight(samples, round);
        if sightings.iter().filter(|s| !s.is_empty()).count() < 16 {
            return None;
        }
        let system = state.assemble(&sightings, stated, held);
        let solution = system.solve()?;
        state.take(&solution, &sightings, stated.len());
        last = Some((system, sightings));
    }
    let (system, sightings) = last?;
    Some(state.finish(&system, &sightings))
}

struct State {
    table: Vec<f64>,
    /// The smooth curve that slopes and bends are read from.
    parametric: Vec<f64>,
    exposures: Vec<f64>,
    coverage: Vec<f64>,
}

impl State {
    fn start(stated: &[f64]) -> Self {
        // IEC 61966-2-1 as the first guess.
        let table: Vec<f64> = (0..NODES)
            .map(|i| crate::response::srgb_exposure((i as f64).max(0.25) / 255.0).log2())
            .collect();
        let pin = table[PIN];
        let table: Vec<f64> = table.iter().map(|g| g - pin).collect();
        State {
            parametric: table.clone(),
            table,
            exposures: stated.to_vec(),
            coverage: vec![0.0; NODES],
        }
    }

    fn at(&self, code: f64) -> f64 {
        let node = (code.clamp(0.0, 254.999) as usize).min(NODES - 2);
        let t = code - node as f64;
        self.table[node] * (1.0 - t) + self.table[node + 1] * t
    }

    /// Code predicted for a log2 exposure.
    fn code_of(&self, log2: f64) -> f64 {
        let upper = self.table.partition_point(|&g| g < log2);
        if upper == 0 {
            return 0.0;
        }
        if upper == NODES {
            return 255.0;
        }
        let (a, b) = (self.table[upper - 1], self.table[upper]);
        upper as f64 - 1.0 + (log2 - a) / (b - a).max(1e-12)
    }

    fn slopes(&self) -> Vec<f64> {
        slope_of(&self.parametric)
            .into_iter()
            .map(|s| s.max(1e-3))
            .collect()
    }

    /// `-(g''/g') / 2`: what the mean code of a textured block must be raised by, per variance, to be the code of its
    /// mean exposure (second order of Taylor's expansion).
    fn bends(&self) -> Vec<f64> {
        let linear: Vec<f64> = self.parametric.iter().map(|g| g.exp2()).collect();
        let first = slope_of(&linear);
        let second = slope_of(&first);
        second
            .iter()
            .zip(&first)
            .map(|(s, f)| 0.5 * s / f.max(1e-12))
            .collect()
    }

    /// Which blocks are usable in which frame, and with what weight.
    fn sight(&self, samples: &BlockSamples, round: usize) -> Vec<Vec<Sighting>> {
        let (slopes, bends) = (self.slopes(), self.bends());
        let noise = self.noise_by_level(samples, round);
        (0..samples.len())
            .map(|block| self.sight_block(samples, block, round, (&slopes, &bends, &noise)))
            .collect()
    }

    fn sight_block(
        &self,
        samples: &BlockSamples,
        block: usize,
        round: usize,
        (slopes, bends, noise): (&[f64], &[f64], &[Vec<f64>]),
    ) -> Vec<Sighting> {
        let frames = samples.frames;
        let predicted = if round == 0 {
            None
        } else {
            self.predict(samples, block, slopes)
        };
        let mut out = Vec::with_capacity(frames);
        for frame in 0..frames {
            let i = block * frames + frame;
            let (mean, variance) = (f64::from(samples.mean[i]), f64::from(samples.variance[i]));
            if samples.peak[i] > 254.0 || variance > TEXTURE_CODES * TEXTURE_CODES {
                continue;
            }
            let code = predicted.map_or(mean, |log2| self.code_of(log2 + self.exposures[frame]));
            let node = (code.round().clamp(0.0, 255.0)) as usize;
            let spread = noise[frame][node].sqrt();
            if code < LOWEST_CODE.max(2.5 * spread)
                || code + 2.5 * spread > 254.0
                || variance.sqrt() * slopes[node] > TEXTURE_STOPS
            {
                continue;
            }
            let bent = if round == 0 {
                0.0
            } else {
                (bends[node] * variance).clamp(-1.0, 1.0)
            };
            let place = (mean + bent).clamp(0.0, 254.999);
            let lower = place as usize;
            // Noise of the mean, plus what texture leaves after the correction (in codes).
            let deviation = 0.05f64.powi(2)
                + spread * spread / samples.pixels as f64
                + (0.01 * spread * spread).powi(2);
            let weight = 1.0 / (deviation * slopes[node] * slopes[node]);
            out.push(Sighting {
                frame,
                node: lower,
                fraction: place - lower as f64,
                weight,
            });
        }
        if out.len() < 2 {
            out.clear();
        } else if round > 1 {
            self.discount_outlier(&mut out);
        }
        out
    }

    /// Log2 scene exposure of a block from all frames that saw it neither black nor clipped.
    fn predict(&self, samples: &BlockSamples, block: usize, slopes: &[f64]) -> Option<f64> {
        let (mut sum, mut total) = (0.0, 0.0);
        for frame in 0..samples.frames {
            let i = block * samples.frames + frame;
            let mean = f64::from(samples.mean[i]);
            if samples.peak[i] > 254.0 || mean < LOWEST_CODE {
                continue;
            }
            let slope = slopes[mean as usize];
            let weight = 1.0 / (slope * slope);
            sum += weight * (self.at(mean) - self.exposures[frame]);
            total += weight;
        }
        (total > 0.0).then(|| sum / total)
    }

    /// Median variance inside blocks by frame and predicted level: noise with the common texture.
    fn noise_by_level(&self, samples: &BlockSamples, round: usize) -> Vec<Vec<f64>> {
        if round == 0 {
            return vec![vec![1.0; NODES]; samples.frames];
        }
        const BINS: usize = 32;
        (0..samples.frames)
            .map(|frame| {
                let mut bins: Vec<Vec<f32>> = vec![Vec::new(); BINS];
                for block in 0..samples.len() {
                    let i = block * samples.frames + frame;
                    if samples.peak[i] <= 254.0
                        && f64::from(samples.variance[i]) < TEXTURE_CODES.powi(2)
                    {
                        bins[samples.mean[i] as usize * BINS / NODES].push(samples.variance[i]);
                    }
                }
                let medians: Vec<Option<f64>> = bins.iter_mut().map(|b| median_of(b)).collect();
                let typical = medians.iter().flatten().sum::<f64>()
                    / medians.iter().flatten().count().max(1) as f64;
                (0..NODES)
                    .map(|code| medians[code * BINS / NODES].unwrap_or(typical.max(1.0)))
                    .collect()
            })
            .collect()
    }

    /// Huber's weights at three standard deviations, for blocks where something moved.
    fn discount_outlier(&self, sightings: &mut [Sighting]) {
        let total: f64 = sightings.iter().map(|s| s.weight).sum();
        let value = |s: &Sighting| self.at(s.node as f64 + s.fraction) - self.exposures[s.frame];
        let mean = sightings.iter().map(|s| s.weight * value(s)).sum::<f64>() / total;
        for s in sightings.iter_mut() {
            let deviations = ((value(s) - mean) * s.weight.sqrt()).abs() / 3.0;
            if deviations > 1.0 {
                s.weight /= deviations * deviations;
            }
        }
    }

    fn assemble(&self, sightings: &[Vec<Sighting>], stated: &[f64], held: &[bool]) -> System {
        let frames = stated.len();
        let size = NODES + frames + gamma_basis::COLUMNS;
        let mut matrix = DMatrix::<f64>::zeros(size, size);
        for block in sightings.iter().filter(|b| !b.is_empty()) {
            add_block(&mut matrix, block);
        }
        add_curvature(&mut matrix, &self.parametric, frames);
        for i in NODES + frames..size {
            matrix[(i, i)] += 1e-6;
        }
        let mut fixed: Vec<Option<f64>> = vec![None; size];
        fixed[PIN] = Some(0.0);
        for (j, (&value, &hold)) in stated.iter().zip(held).enumerate() {
            if hold {
                fixed[NODES + j] = Some(value);
            }
        }
        System { matrix, fixed }
    }

    fn take(&mut self, solution: &DVector<f64>, sightings: &[Vec<Sighting>], frames: usize) {
        self.table = rising(&solution.as_slice()[..NODES]);
        self.exposures = solution.as_slice()[NODES..NODES + frames].to_vec();
        self.coverage = vec![0.0; NODES];
        for s in sightings.iter().flatten() {
            self.coverage[s.node] += 1.0 - s.fraction;
            self.coverage[s.node + 1] += s.fraction;
        }
        self.fit_parametric();
    }

    /// The generalised gamma curve nearest to the table where it is supported.
    fn fit_parametric(&mut self) {
        const C: usize = gamma_basis::COLUMNS;
        let mut normal = DMatrix::<f64>::identity(C, C) * 1e-6;
        let mut right = DVector::<f64>::zeros(C);
        for (code, &g) in self.table.iter().enumerate() {
            let weight = self.coverage[code].min(100.0);
            let row = DVector::from_row_slice(&gamma_basis::row(code as f64 / 255.0));
            normal += weight * &row * row.transpose();
            right += weight * g * &row;
        }
        if let Some(factors) = normal.cholesky() {
            let a = factors.solve(&right);
            let curve: Vec<f64> = (0..NODES)
                .map(|code| {
                    gamma_basis::row(code as f64 / 255.0)
                        .iter()
                        .zip(a.iter())
                        .map(|(r, a)| r * a)
                        .sum()
                })
                .collect();
            self.parametric = rising(&curve);
        }
    }

    fn finish(mut self, system: &System, sightings: &[Vec<Sighting>]) -> TableFit {
        let frames = self.exposures.len();
        let (residual_stops, reduced) = self.residual(sightings);
        let spread = system.standard_uncertainty(reduced.max(1.0));
        let supported = self.supported();
        extend(&mut self.table, supported);
        TableFit {
            uncertainty: spread[..NODES].to_vec(),
            exposure_uncertainty: spread[NODES..NODES + frames].to_vec(),
            log2_exposure: self.table,
            exposures: self.exposures,
            supported: (supported.0 as f64, supported.1 as f64),
            samples: sightings.iter().filter(|b| !b.is_empty()).count(),
            residual_stops,
            coverage: self.coverage,
        }
    }

    /// Root mean square residual in stops, and the weighted residual variance per degree of freedom.
    fn residual(&self, sightings: &[Vec<Sighting>]) -> (f64, f64) {
        let (mut square, mut weighted, mut count, mut freedom) = (0.0, 0.0, 0.0f64, 0.0f64);
        for block in sightings.iter().filter(|b| !b.is_empty()) {
            let value =
                |s: &Sighting| self.at(s.node as f64 + s.fraction) - self.exposures[s.frame];
            let total: f64 = block.iter().map(|s| s.weight).sum();
            let mean = block.iter().map(|s| s.weight * value(s)).sum::<f64>() / total;
            for s in block {
                square += (value(s) - mean).powi(2);
                weighted += s.weight * (value(s) - mean).powi(2);
                count += 1.0;
            }
            freedom += block.len() as f64 - 1.0;
        }
        (
            (square / count.max(1.0)).sqrt(),
            weighted / freedom.max(1.0),
        )
    }

    /// Codes between which all but one sample in a thousand lie, at either end.
    fn supported(&self) -> (usize, usize) {
        let total: f64 = self.coverage.iter().sum();
        let (mut sum, mut low, mut high) = (0.0, 0, NODES - 1);
        for (code, count) in self.coverage.iter().enumerate() {
            if sum < 0.001 * total {
                low = code;
            }
            if sum < 0.999 * total {
                high = code;
            }
            sum += count;
        }
        (low.max(2), high.min(NODES - 1).max(low.max(2) + 8))
    }
}

/// `sum_j w a_j a_j' - (sum_j w a_j)(sum_j w a_j)' / sum_j w`: the block's own log exposure is eliminated.
fn add_block(matrix: &mut DMatrix<f64>, block: &[Sighting]) {
    let total: f64 = block.iter().map(|s| s.weight).sum();
    let mut sum: smallvec::SmallVec<[(usize, f64); 24]> = smallvec::SmallVec::new();
    for s in block {
        let entries = [
            (s.node, 1.0 - s.fraction),
            (s.node + 1, s.fraction),
            (NODES + s.frame, -1.0),
        ];
        for (i, a) in entries {
            for (k, b) in entries {
                matrix[(i, k)] += s.weight * a * b;
            }
            sum.push((i, s.weight * a));
        }
    }
    for &(i, a) in &sum {
        for &(k, b) in &sum {
            matrix[(i, k)] -= a * b / total;
        }
    }
}

/// Squared second differences, by stops, of the table less its generalised gamma curve.
fn add_curvature(matrix: &mut DMatrix<f64>, scale: &[f64], frames: usize) {
    let basis: Vec<_> = (0..NODES)
        .map(|code| gamma_basis::row(code as f64 / 255.0))
        .collect();
    for i in 0..NODES - 2 {
        let (h1, h2) = (
            (scale[i + 1] - scale[i]).max(3e-3),
            (scale[i + 2] - scale[i + 1]).max(3e-3),
        );
        let root = ((h1 + h2) / 2.0).sqrt();
        let weights = [
            2.0 / (h1 * (h1 + h2)) * root,
            -2.0 / (h1 * h2) * root,
            2.0 / (h2 * (h1 + h2)) * root,
        ];
        let mut entries: Vec<(usize, f64)> = (0..3).map(|k| (i + k, weights[k])).collect();
        for column in 0..gamma_basis::COLUMNS {
            let sum: f64 = (0..3).map(|k| weights[k] * basis[i + k][column]).sum();
            entries.push((NODES + frames + column, -sum));
        }
        for &(a, x) in &entries {
            for &(b, y) in &entries {
                matrix[(a, b)] += STIFFNESS * x * y;
            }
        }
    }
}

struct System {
    matrix: DMatrix<f64>,
    fixed: Vec<Option<f64>>,
}

impl System {
    fn reduced(&self) -> (Vec<usize>, DMatrix<f64>) {
        let keep: Vec<usize> = (0..self.fixed.len())
            .filter(|&i| self.fixed[i].is_none())
            .collect();
        let matrix = DMatrix::from_fn(keep.len(), keep.len(), |a, b| {
            self.matrix[(keep[a], keep[b])] + if a == b { 1e-9 } else { 0.0 }
        });
        (keep, matrix)
    }

    fn solve(&self) -> Option<DVector<f64>> {
        let (keep, matrix) = self.reduced();
        let right = DVector::from_fn(keep.len(), |a, _| {
            -self
                .fixed
                .iter()
                .enumerate()
                .filter_map(|(i, v)| v.map(|v| self.matrix[(keep[a], i)] * v))
                .sum::<f64>()
        });
        let found = matrix.cholesky()?.solve(&right);
        let mut all = DVector::from_iterator(
            self.fixed.len(),
            self.fixed.iter().map(|v| v.unwrap_or(0.0)),
        );
        for (a, &i) in keep.iter().enumerate() {
            all[i] = found[a];
        }
        all.iter().all(|v| v.is_finite()).then_some(all)
    }

    /// Square root of the inverse's diagonal, times the square root of the residual variance; 0 for what is fixed.
    fn standard_uncertainty(&self, variance: f64) -> Vec<f64> {
        let (keep, matrix) = self.reduced();
        let mut out = vec![0.0; self.fixed.len()];
        if let Some(factors) = matrix.cholesky() {
            let inverse = factors.inverse();
            for (a, &i) in keep.iter().enumerate() {
                out[i] = (inverse[(a, a)].max(0.0) * variance).sqrt();
            }
        }
        out
    }
}

/// Beyond the supported codes: straight in log exposure against code at the light end, a power law at the dark end.
fn extend(table: &mut [f64], (low, high): (usize, usize)) {
    let from = high.saturating_sub(8).max(low);
    let slope = ((table[high] - table[from]) / (high - from).max(1) as f64).max(1e-4);
    for code in high + 1..NODES {
        table[code] = table[high] + slope * (code - high) as f64;
    }
    let near = (low + 4).min(high);
    let exponent = ((table[near] - table[low]) / (near as f64 / low as f64).log2()).clamp(0.8, 3.0);
    for code in 0..low {
        table[code] = table[low] + exponent * ((code as f64).max(0.25) / low as f64).log2();
    }
}

fn slope_of(values: &[f64]) -> Vec<f64> {
    let last = values.len() - 1;
    (0..values.len())
        .map(|i| {
            let (a, b) = (i.saturating_sub(1), (i + 1).min(last));
            (values[b] - values[a]) / (b - a) as f64
        })
        .collect()
}

/// The nearest strictly rising table: pool adjacent violators, then a hair of slope.
fn rising(values: &[f64]) -> Vec<f64> {
    let mut blocks: Vec<(f64, usize)> = Vec::new();
    for &v in values {
        blocks.push((v, 1));
        while blocks.len() > 1 && blocks[blocks.len() - 2].0 >= blocks[blocks.len() - 1].0 {
            let (b, m) = blocks.remove(blocks.len() - 1);
            let (a, n) = blocks.remove(blocks.len() - 1);
            blocks.push(((a * n as f64 + b * m as f64) / (n + m) as f64, n + m));
        }
    }
    let pooled = blocks.iter().flat_map(|&(v, n)| std::iter::repeat_n(v, n));
    pooled
        .enumerate()
        .map(|(i, v)| v + 1e-6 * (i as f64 - PIN as f64))
        .collect()
}

fn median_of(values: &mut [f32]) -> Option<f64> {
    if values.len() < 10 {
        return None;
    }
    let middle = values.len() / 2;
    Some(f64::from(
        *values.select_nth_unstable_by(middle, f32::total_cmp).1,
    ))
}
