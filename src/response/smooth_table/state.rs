//! State of the fit between two rounds, and the final table.
use super::halves;
use super::sight::{Sighting, Sightings};
use super::spread::Spread;
use super::system::System;
use super::{NODES, PIN, TableFit};
use crate::gamma_basis;
use crate::gamma_basis::COLUMNS;
use nalgebra::DVector;
use stopspan_core::statistics::isotonic;

/// Factor on the standard uncertainties of the equations, which ignore that errors of neighbouring blocks and codes are
/// correlated: with it, 95 % bands contain the truth at about 95 % of the codes of simulated brackets.
const BLOCKS_ALIKE: f64 = 1.5;
/// Least standard uncertainty of the code of a table entry, from clipping, rounding and compression, codes.
const LEFT_CODES: f64 = 0.1;

/// Table and exposures of the last round.
pub(super) struct State {
    /// log2 exposure by code, 0 at code 128.
    pub table: Vec<f64>,
    /// The generalised gamma curve nearest to the table, from which slopes and curvature are taken.
    pub parametric: Vec<f64>,
    /// log2 exposure of each frame.
    pub exposures: Vec<f64>,
    /// Number of samples at each code.
    pub coverage: Vec<f64>,
}

impl State {
    /// Starts from the sRGB curve (IEC 61966-2-1).
    pub(super) fn start(stated: &[f64]) -> Self {
        let table: Vec<f64> = (0..NODES)
            .map(|i| stopspan_core::units::srgb_exposure((i as f64).max(0.25) / 255.0).log2())
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

    /// Starts from an earlier fit.
    pub(super) fn from_fit(fit: &TableFit, stated: &[f64]) -> Self {
        let table = rising(&fit.log2_exposure);
        let mut state = State {
            parametric: table.clone(),
            table,
            exposures: stated.to_vec(),
            coverage: fit.coverage.clone(),
        };
        state.fit_parametric();
        state
    }

    /// log2 exposure at a fractional code.
    pub(super) fn at(&self, code: f64) -> f64 {
        let node = (code.clamp(0.0, 254.999) as usize).min(NODES - 2);
        let t = code - node as f64;
        self.table[node] * (1.0 - t) + self.table[node + 1] * t
    }

    /// Code of a log2 exposure, by a linear search that starts at code `near`.
    pub(super) fn code_of(&self, log2: f64, near: f64) -> f64 {
        let below = |node: usize| self.table[node] < log2;
        let mut upper = (near as usize).min(NODES);
        while upper > 0 && !below(upper - 1) {
            upper -= 1;
        }
        while upper < NODES && below(upper) {
            upper += 1;
        }
        if upper == 0 {
            return 0.0;
        }
        if upper == NODES {
            return 255.0;
        }
        let (a, b) = (self.table[upper - 1], self.table[upper]);
        upper as f64 - 1.0 + (log2 - a) / (b - a).max(1e-12)
    }

    /// Slope by code, stops per code.
    pub(super) fn slopes(&self) -> Vec<f64> {
        slope_of(&self.parametric)
            .into_iter()
            .map(|s| s.max(1e-3))
            .collect()
    }

    /// `(g''/g') / 2` by code, for linear exposure g: what has to be added to the mean code of a textured block, per code^2 of
    /// variance, to give the code of its mean exposure (second-order Taylor expansion).
    pub(super) fn bends(&self) -> Vec<f64> {
        let linear: Vec<f64> = self.parametric.iter().map(|g| g.exp2()).collect();
        let first = slope_of(&linear);
        let second = slope_of(&first);
        second
            .iter()
            .zip(&first)
            .map(|(s, f)| 0.5 * s / f.max(1e-12))
            .collect()
    }

    /// Takes over the solution of a round.
    pub(super) fn take(&mut self, solution: &DVector<f64>, sightings: &Sightings, frames: usize) {
        self.table = rising(&solution.as_slice()[..NODES]);
        self.exposures = solution.as_slice()[NODES..NODES + frames].to_vec();
        self.coverage = vec![0.0; NODES];
        for s in sightings.all() {
            self.coverage[s.node()] += 1.0 - s.fraction();
            self.coverage[s.node() + 1] += s.fraction();
        }
        self.fit_parametric();
    }

    /// Fits the generalised gamma curve to the table, weighted by coverage.
    fn fit_parametric(&mut self) {
        let usual = gamma_basis::usual().as_steep_as(&self.table);
        let mut normal = usual.precision;
        let mut right = &normal * &usual.mean;
        let basis = gamma_basis::by_code();
        for ((row, &g), &coverage) in basis.iter().zip(&self.table).zip(&self.coverage) {
            let weight = coverage.min(100.0);
            for (i, a) in row.iter().enumerate() {
                right[i] += weight * g * a;
                for (k, b) in row.iter().enumerate() {
                    normal[(i, k)] += weight * a * b;
                }
            }
        }
        if let Some(factors) = normal.cholesky() {
            let a = factors.solve(&right);
            let at = |row: &[f64; COLUMNS]| row.iter().zip(a.iter()).map(|(r, a)| r * a).sum();
            let curve: Vec<f64> = basis.iter().map(at).collect();
            self.parametric = rising(&curve);
        }
    }

    /// The final table with its uncertainties.
    pub(super) fn finish(
        self,
        system: &System,
        sightings: &Sightings,
        inside: &Spread,
    ) -> TableFit {
        let frames = self.exposures.len();
        let (residual_stops, reduced) = self.residual(sightings);
        let bends = self.bends().into_iter().enumerate();
        let bent = bends.map(|(i, b)| (b * inside.mean(i)).abs());
        let bent: Vec<f64> = bent.zip(self.slopes()).map(|(b, s)| b * s).collect();
        let spread = system.standard_uncertainty(reduced.max(1.0));
        let misfit = halves::misfit(&self, system, sightings);
        let beside = |(u, slope): (&f64, f64)| (BLOCKS_ALIKE * u).hypot(LEFT_CODES * slope);
        let slopes = self.slopes();
        let supported = self.supported();
        let noise = spread[..NODES].iter().zip(slopes).map(beside);
        let of_frames = &spread[NODES..NODES + frames];
        let both = of_frames
            .iter()
            .zip(&misfit.exposures)
            .map(|(u, m)| u.hypot(*m));
        TableFit {
            uncertainty: noise.collect(),
            bent,
            misfit: misfit.curve,
            exposure_uncertainty: both.collect(),
            log2_exposure: self.table,
            exposures: self.exposures,
            supported: (supported.0 as f64, supported.1 as f64),
            samples: sightings.len(),
            residual_stops,
            coverage: self.coverage,
        }
    }

    /// Root mean square residual in stops, and the weighted residual variance per degree of freedom.
    fn residual(&self, sightings: &Sightings) -> (f64, f64) {
        let (mut square, mut weighted, mut count, mut freedom) = (0.0, 0.0, 0.0f64, 0.0f64);
        for block in sightings.blocks() {
            let value = |s: &Sighting| self.at(s.code()) - self.exposures[s.frame()];
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

    /// Range of codes that excludes one sample in a thousand at either end.
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

/// Central differences, one-sided at the ends.
fn slope_of(values: &[f64]) -> Vec<f64> {
    let last = values.len() - 1;
    (0..values.len())
        .map(|i| {
            let (a, b) = (i.saturating_sub(1), (i + 1).min(last));
            (values[b] - values[a]) / (b - a) as f64
        })
        .collect()
}

/// The nearest non-decreasing table, made strictly increasing by a tiny slope. Values that are not finite are kept for the
/// solver to refuse.
fn rising(values: &[f64]) -> Vec<f64> {
    let pooled = isotonic::increasing(values, &vec![1.0; values.len()]);
    let pooled = pooled.unwrap_or_else(|| values.to_vec());
    let hair = |(i, v): (usize, f64)| v + 1e-6 * (i as f64 - PIN as f64);
    pooled.into_iter().enumerate().map(hair).collect()
}
