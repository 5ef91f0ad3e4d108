//! The default response estimator: a table of log exposure by least squares on block means, smooth about a generalised gamma
//! curve.
//!
//! The observation equation and the curvature penalty are those of Debevec and Malik (1997), with these differences:
//!
//! - Samples are block means, weighted by their own noise at the level *predicted* from all frames.
//! - Curvature is measured in stops of exposure, of the departure from a generalised gamma curve (Ng, Chang and Tsui 2007).
//!   A prior holds its coefficients near those of published encodings where there are no samples, so that the ends of the
//!   table stay plausible.
//! - Exposures between the first and the last frame are estimated together with the table.
//!
//! The span from the first to the last frame is never estimated: if a curve and a span fit the pixels, so does every power of
//! both (Grossberg and Nayar 2003).
//!
//! In reading order: `spread` estimates the noise inside blocks, `sight` selects and weights the observations, `system` sets up
//! and solves the equations, `state` holds the table, `halves` holds halves of the blocks against each other.
mod halves;
mod sight;
mod spread;
mod state;
mod system;

use super::blocks::BlockSamples;
use spread::Spread;
use state::State;
use system::System;

/// Table entries: one for each 8-bit code.
pub(crate) const NODES: usize = 256;
/// The entry held at log exposure 0 while fitting.
const PIN: usize = 128;
/// Rounds of reweighting; after the fourth the table changes by less than 0.001 stop.
const ROUNDS: usize = 4;
/// Rounds when starting from a table fitted to the same samples, whose noise is known already.
const WARM_ROUNDS: usize = 2;
/// Least number of blocks for a fit.
const FEWEST: usize = 16;

/// A fitted table for one channel.
#[derive(Debug, Clone)]
pub(crate) struct TableFit {
    /// log2 exposure at codes 0..=255, 0 at code 128.
    pub log2_exposure: Vec<f64>,
    /// Standard uncertainty of each entry relative to code 128, stops, from noise and the freedom of the prior.
    pub uncertainty: Vec<f64>,
    /// Size of the correction of each entry for the curvature of the response within the noise, stops.
    pub bent: Vec<f64>,
    /// Difference of the curves of halves of the blocks by code, stops: what one curve for all colours and places leaves.
    pub misfit: Vec<f64>,
    /// log2 exposure of each frame, same origin as the stated ones.
    pub exposures: Vec<f64>,
    /// Standard uncertainty of the exposures, stops; 0 for those held.
    pub exposure_uncertainty: Vec<f64>,
    /// Lowest and highest code supported by samples.
    pub supported: (f64, f64),
    /// Number of blocks used (usable in two frames or more).
    pub samples: usize,
    /// Root mean square residual, stops.
    pub residual_stops: f64,
    /// Number of samples at each code.
    pub coverage: Vec<f64>,
}

impl TableFit {
    /// Standard uncertainty of an entry with what noise may have left in it, stops: as much as was corrected.
    pub(crate) fn doubt(&self, code: usize) -> f64 {
        self.uncertainty[code].hypot(self.bent.get(code).copied().unwrap_or(0.0))
    }
}

/// Fits one channel. `stated` are log2 exposures in increasing order; `held` marks those that are not estimated (at least the
/// first and the last); `start` is an earlier fit to the same samples, which saves rounds. `None` with too little data.
pub(crate) fn fit(
    samples: &BlockSamples,
    stated: &[f64],
    held: &[bool],
    start: Option<&TableFit>,
) -> Option<TableFit> {
    let (mut state, first) = match start {
        Some(fit) => (State::from_fit(fit, stated), ROUNDS - WARM_ROUNDS),
        None => (State::start(stated), 0),
    };
    let (unknown, measured) = (Spread::unknown(stated.len()), Spread::of(samples));
    let mut last = None;
    for round in first..ROUNDS {
        let spread = if round == 0 { &unknown } else { &measured };
        let sightings = state.sight(samples, round, spread);
        if sightings.len() < FEWEST {
            return None;
        }
        let system = System::assemble(&state.parametric, &sightings, stated, held)?;
        let solution = system.solve()?;
        state.take(&solution, &sightings, stated.len());
        last = Some((system, sightings));
    }
    let (system, sightings) = last?;
    let mut fit = state.finish(&system, &sightings, &measured);
    if samples.noise > 0.0 {
        fit.uncertainty = (0..NODES).map(|code| fit.doubt(code)).collect();
    }
    Some(fit)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Noise-free blocks of a power law's codes, three frames.
    fn blocks(stops: &[f64]) -> BlockSamples {
        let mut samples = BlockSamples {
            frames: stops.len(),
            pixels: 64,
            ..Default::default()
        };
        for i in 0..2000 {
            let scene = -8.0 + 9.0 * f64::from(i) / 2000.0;
            for stop in stops {
                let code = 255.0 * (scene + stop).exp2().min(1.0).powf(1.0 / 1.8);
                samples.mean.push(code as f32);
                samples.peak.push(code.ceil() as f32);
                samples.variance.push(1.0);
            }
        }
        samples
    }

    #[test]
    fn a_warm_start_ends_where_a_cold_one_does() {
        let samples = blocks(&[-1.0, 0.03, 1.0]);
        let stated = [-1.0, 0.0, 1.0];
        let free = fit(&samples, &stated, &[true, false, true], None).unwrap();
        let settled = free.exposures.clone();
        assert!((settled[1] - 0.03).abs() < 0.01, "{settled:?}");
        let cold = fit(&samples, &settled, &[true; 3], None).unwrap();
        let warm = fit(&samples, &settled, &[true; 3], Some(&free)).unwrap();
        let pairs = warm.log2_exposure[10..=245]
            .iter()
            .zip(&cold.log2_exposure[10..=245]);
        let worst = pairs.map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
        assert!(worst < 0.001, "{worst}");
    }
}
