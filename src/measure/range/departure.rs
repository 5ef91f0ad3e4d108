//! How the noise of a picture departs from the noise model: a smooth factor on the variance, as a Gaussian process regression
//! (Rasmussen and Williams 2006).
//!
//! A sensor and its file have photon noise, noise in the dark and noise of the codes. Sharpening, smoothing and compression change all
//! three, by amounts that depend on the level. A range read off the model alone is then off by more than the scatter of the patches says.
//! The logarithm of the factor is taken for a stationary process over log radiance. Three things about it are not known: its size, its
//! reach, and how much more the patches scatter than their number of pixels says. Every combination counts with its probability given the
//! patches (Hoeting, Madigan, Raftery and Volinsky 1999). Beforehand a tenth of the probability is given to no departure, since only files
//! with lossy compression are asked, and half of it to no more scatter than counted.
use super::fit::Observation;
use super::noise_model::{Capture, variance_of};
use nalgebra::{DMatrix, DVector};
use rand::Rng;
use stopspan_core::model::NoiseModel;

/// Reaches of the process, stops.
const REACHES: [f64; 2] = [1.5, 3.0];
/// Standard deviations of the process, of the natural logarithm of a variance.
const SIZES: [f64; 7] = [0.05, 0.1, 0.2, 0.3, 0.5, 0.8, 1.2];
/// Factors on the patches' own uncertainty.
const SPREADS: [f64; 6] = [1.0, 1.25, 1.6, 2.0, 2.5, 3.2];
/// Probability beforehand that the model is all there is.
const NONE: f64 = 0.1;
/// Least probability of a combination that is kept.
const LEAST_SHARE: f64 = 0.002;
/// Smallest ratio of a patch's variance to the model's that is used; less is a patch without noise.
const LEAST_RATIO: f64 = 0.02;

/// The departure: processes with their probabilities.
#[derive(Debug, Clone)]
pub(crate) struct Departure {
    /// log2 radiance of the patches.
    places: Vec<f64>,
    processes: Vec<Process>,
    /// Smallest variance of a code, squared 8-bit codes.
    code_floor: f64,
}

/// One combination of size, reach and spread.
#[derive(Debug, Clone)]
struct Process {
    share: f64,
    trial: Trial,
    /// Inverse of the covariance of the patches' logarithms, and its product with them.
    inverse: DMatrix<f64>,
    weights: DVector<f64>,
    /// Variance of the logarithm of each patch's variance.
    own: DVector<f64>,
}

#[derive(Debug, Clone, Copy)]
struct Trial {
    size: f64,
    reach: f64,
    spread: f64,
}

impl Departure {
    /// What the patches say of it.
    pub(crate) fn find(observations: &[&Observation], model: &NoiseModel, code_floor: f64) -> Self {
        let logs = logs(observations, model);
        let places: Vec<f64> = observations.iter().map(|o| place(o.radiance)).collect();
        let samples = observations.iter().map(|o| 2.0 / o.samples.max(2.0));
        let own = DVector::from_iterator(places.len(), samples);
        let tried = trials().filter_map(|(before, trial)| {
            let own = &own * trial.spread.powi(2);
            let (log, inverse) = likelihood(&trial.covariance(&places, &own), &logs)?;
            let weights = &inverse * &logs;
            let share = log + before.ln();
            Some(Process {
                share,
                trial,
                inverse,
                weights,
                own,
            })
        });
        Departure {
            processes: likely(tried.collect()),
            places,
            code_floor,
        }
    }

    /// Natural logarithm of the factor on the variance at a radiance.
    fn at(&self, radiance: f64) -> f64 {
        let of = |p: &Process| p.share * p.trial.near(&self.places, radiance).dot(&p.weights);
        self.processes.iter().map(of).sum()
    }

    /// A process drawn by its probability, and the factor on the scatter of the patches that goes with it.
    pub(crate) fn draw(&self, rng: &mut impl Rng) -> (usize, f64) {
        let mut left: f64 = rng.random();
        let found = self.processes.iter().position(|p| {
            left -= p.share;
            left < 0.0
        });
        let index = found.unwrap_or(0);
        (
            index,
            self.processes.get(index).map_or(1.0, |p| p.trial.spread),
        )
    }

    /// The one process where the patches have other variances.
    pub(crate) fn redrawn(
        &self,
        index: usize,
        observations: &[&Observation],
        model: &NoiseModel,
    ) -> Self {
        let process = self.processes.get(index).map(|p| Process {
            share: 1.0,
            weights: &p.inverse * logs(observations, model),
            ..p.clone()
        });
        Departure {
            processes: process.into_iter().collect(),
            places: self.places.clone(),
            code_floor: self.code_floor,
        }
    }

    /// Standard uncertainty of the logarithm at a radiance by one process that comes of the patches' distance from it, beside their own
    /// scatter.
    pub(crate) fn remaining(&self, index: usize, radiance: f64) -> f64 {
        self.processes.get(index).map_or(0.0, |p| {
            let near = p.trial.near(&self.places, radiance);
            let shares = &p.inverse * &near;
            let all = p.trial.size.powi(2) - near.dot(&shares);
            let own = shares.iter().zip(p.own.iter()).map(|(s, v)| s * s * v);
            (all - own.sum::<f64>()).max(0.0).sqrt()
        })
    }

    /// Number of processes.
    pub(crate) fn len(&self) -> usize {
        self.processes.len()
    }

    /// Mean over standard deviation at a radiance; no code has less noise than its floor.
    pub(crate) fn snr(&self, capture: &Capture, model: &NoiseModel, radiance: f64) -> f64 {
        let parts = capture.parts(radiance);
        let floor = variance_of(&parts, &[0.0, 0.0, self.code_floor]);
        let variance = variance_of(&parts, &model.as_array());
        let departed = (variance * self.at(radiance).exp()).max(floor.min(variance));
        crate::wedge::ratio(radiance, departed.sqrt())
    }
}

impl Trial {
    /// Covariance of the process at a radiance with that at the patches.
    fn near(&self, places: &[f64], radiance: f64) -> DVector<f64> {
        let here = place(radiance);
        DVector::from_iterator(places.len(), places.iter().map(|&p| self.between(p, here)))
    }

    fn between(&self, a: f64, b: f64) -> f64 {
        let apart = (a - b) / self.reach;
        self.size * self.size * (-0.5 * apart * apart).exp()
    }

    /// Covariance of the patches' logarithms: that of the process, and their own scatter.
    fn covariance(&self, places: &[f64], own: &DVector<f64>) -> DMatrix<f64> {
        let process = DMatrix::from_fn(places.len(), places.len(), |i, k| {
            self.between(places[i], places[k])
        });
        process + DMatrix::from_diagonal(own)
    }
}

fn place(radiance: f64) -> f64 {
    radiance.max(1e-12).log2()
}

/// Natural logarithms of the patches' variances over the model's.
fn logs(observations: &[&Observation], model: &NoiseModel) -> DVector<f64> {
    let model = model.as_array();
    let ratio = |o: &&Observation| o.variance / variance_of(&o.parts, &model).max(1e-30);
    let logs = observations.iter().map(|o| ratio(o).max(LEAST_RATIO).ln());
    DVector::from_iterator(observations.len(), logs)
}

/// All combinations with their probabilities beforehand.
fn trials() -> impl Iterator<Item = (f64, Trial)> {
    let none = std::iter::once((NONE, 0.0, 1.0));
    let each = (1.0 - NONE) / (SIZES.len() * REACHES.len()) as f64;
    let some = SIZES
        .iter()
        .flat_map(move |&size| REACHES.iter().map(move |&reach| (each, size, reach)));
    none.chain(some).flat_map(|(before, size, reach)| {
        SPREADS.iter().enumerate().map(move |(i, &spread)| {
            let share = if i == 0 {
                0.5
            } else {
                0.5 / (SPREADS.len() - 1) as f64
            };
            let trial = Trial {
                size,
                reach,
                spread,
            };
            (before * share, trial)
        })
    })
}

/// The probable ones of processes whose `share` is the logarithm of an unscaled probability, scaled.
fn likely(mut all: Vec<Process>) -> Vec<Process> {
    let most = all
        .iter()
        .map(|p| p.share)
        .fold(f64::NEG_INFINITY, f64::max);
    for _ in 0..2 {
        let total: f64 = all.iter().map(|p| (p.share - most).exp()).sum();
        all.retain(|p| (p.share - most).exp() > LEAST_SHARE * total);
    }
    let total: f64 = all.iter().map(|p| (p.share - most).exp()).sum();
    all.iter_mut()
        .for_each(|p| p.share = (p.share - most).exp() / total);
    all
}

/// Logarithm of the likelihood, less a constant, and the inverse of the covariance.
fn likelihood(covariance: &DMatrix<f64>, logs: &DVector<f64>) -> Option<(f64, DMatrix<f64>)> {
    let factors = covariance.clone().cholesky()?;
    let half_determinant: f64 = factors.l_dirty().diagonal().iter().map(|d| d.ln()).sum();
    let inverse = factors.inverse();
    let value = -0.5 * logs.dot(&(&inverse * logs)) - half_determinant;
    value.is_finite().then_some((value, inverse))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::subject::Source;
    use stopspan_core::model::ResponseCurve;

    const MODEL: NoiseModel = NoiseModel {
        shot: 1e-4,
        read_variance: 1e-6,
        code_variance: 0.0,
    };

    /// Patches half a stop apart whose variances are the model's times a factor.
    fn departure(factor: impl Fn(f64) -> f64) -> (Capture, Departure) {
        let curve = ResponseCurve::linear(4096, 1.0);
        let capture = Capture::of(&[Source::new(curve, 1.0)]).unwrap();
        let patch = |i: i32| {
            let radiance = (-0.5 * f64::from(i) - 1.0).exp2();
            let variance = capture.variance(&MODEL, radiance) * factor(radiance.log2());
            Observation::new(&capture, radiance, variance, 800.0)
        };
        let seen: Vec<Observation> = (0..16).map(patch).collect();
        let found = Departure::find(&seen.iter().collect::<Vec<_>>(), &MODEL, 0.0);
        (capture, found)
    }

    #[test]
    fn noise_as_the_model_has_it_departs_nowhere() {
        let (capture, found) = departure(|_| 1.0);
        for stops in [-1.0f64, -4.0, -12.0] {
            let radiance = stops.exp2();
            let plain = capture.snr(&MODEL, radiance);
            assert!((found.snr(&capture, &MODEL, radiance) / plain - 1.0).abs() < 1e-9);
        }
    }

    #[test]
    fn a_smooth_factor_is_found_and_forgotten_far_away() {
        let factor = |stops: f64| (0.6 * (-0.5 * ((stops + 5.0) / 1.5).powi(2)).exp()).exp();
        let (capture, found) = departure(factor);
        for stops in [-2.0f64, -5.25, -7.0] {
            let radiance = stops.exp2();
            let wanted = capture.snr(&MODEL, radiance) / factor(stops).sqrt();
            let ratio = found.snr(&capture, &MODEL, radiance) / wanted;
            assert!((ratio - 1.0).abs() < 0.03, "{stops}: {ratio}");
        }
        let plain = capture.snr(&MODEL, 1e-7);
        assert!((found.snr(&capture, &MODEL, 1e-7) / plain - 1.0).abs() < 1e-3);
        let left = |stops: f64| found.remaining(0, stops.exp2());
        assert!(
            left(-5.25) < 0.2 * left(-14.0),
            "{} {}",
            left(-5.25),
            left(-14.0)
        );
    }
}
