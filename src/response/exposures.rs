//! The exposures to use: steps measured by the fits of the channels, settled with the stated ones.
use super::balance::Balance;
use super::blocks::BlockSamples;
use super::ratios;
use super::recover::settle;
use super::smooth_table::TableFit;
use super::steps::{self, Settled, Step};
use std::ops::Range;
use stopspan_core::finding::Finding;
use stopspan_core::model::Bracket;
use stopspan_core::units::Estimate;

/// What the fits know of the exposures.
pub(super) struct Measured<'a> {
    /// The fits of the channels.
    pub fits: &'a [TableFit],
    /// The samples of the channels.
    pub samples: &'a [BlockSamples],
    /// The colour balance of the frames, if it drifts.
    pub balance: Option<&'a Balance>,
    /// The frames whose exposures were estimated, the first and the last held.
    pub run: Range<usize>,
    /// Stated exposure of every frame.
    pub stated: &'a [Estimate],
    /// The frames.
    pub bracket: &'a Bracket,
}

/// Share of the distance to the nearer end of the span by which the smoothness of the curve influences an exposure.
const SMOOTH: f64 = 0.004;

impl Measured<'_> {
    /// The exposure to use of every frame, and the factor that brings the fits to their scale; findings name false ones.
    pub(super) fn settle(&self, findings: &mut Vec<Finding>) -> (Vec<Estimate>, f64) {
        let reference = self.bracket.reference;
        let steps: Vec<Step> = (1..self.stated.len()).map(|j| self.step(j)).collect();
        let Some(factor) = steps::factor(&steps) else {
            return (self.by_frame(findings), 1.0);
        };
        let settled = steps::settle(&steps, factor);
        for (j, step) in settled.iter().enumerate() {
            if let Some(instead) = step.instead {
                findings.push(Finding::StatedStepFalse {
                    first: self.bracket.frames[j].name(),
                    second: self.bracket.frames[j + 1].name(),
                    stated_stops: steps[j].stated.value,
                    measured_stops: instead.value,
                    standard_uncertainty_stops: instead.standard_uncertainty,
                });
            }
        }
        let used = (0..self.stated.len()).map(|j| self.along(&settled, reference, j));
        (used.collect(), factor)
    }

    /// The exposure of frame `j` by the steps from the reference frame on, whose exposure is as stated. Errors of steps are
    /// independent where they are measured; those of two stated exposures do not grow with the number of steps between.
    fn along(&self, settled: &[Settled], reference: usize, j: usize) -> Estimate {
        let (low, high) = (j.min(reference), j.max(reference));
        let between = &settled[low..high];
        let sum: f64 = between.iter().map(|s| s.used.value).sum();
        let noise = |s: &Settled| s.used.standard_uncertainty.powi(2);
        let mut uncertainty = between.iter().map(noise).sum::<f64>().sqrt();
        let stated = |j: usize| self.stated[j].standard_uncertainty;
        if between.iter().all(|s| s.instead.is_none()) {
            uncertainty = uncertainty.min(stated(j).hypot(stated(reference)));
        }
        if low == high {
            let beside = settled.iter().skip(j.saturating_sub(1)).take(2);
            uncertainty = beside.map(noise).fold(stated(j).powi(2), f64::min).sqrt();
        }
        let sign = if j < reference { -1.0 } else { 1.0 };
        Estimate::new(self.stated[reference].value + sign * sum, uncertainty)
    }

    /// The step from the frame before to frame `j`.
    fn step(&self, j: usize) -> Step {
        let (a, b) = (self.stated[j - 1], self.stated[j]);
        let stated = Estimate::new(
            b.value - a.value,
            a.standard_uncertainty.hypot(b.standard_uncertainty),
        );
        let inside = self.run.contains(&(j - 1)) && self.run.contains(&j);
        Step {
            stated,
            measured: inside.then(|| self.measure(j)).flatten(),
        }
    }

    /// Exposure of frame `j` by the fit of channel `c`, without what the frame's balance adds.
    fn exposure(&self, c: usize, j: usize) -> f64 {
        let beyond = |b: &Balance| b[j].get(c).map_or(0.0, |e| e.value);
        self.fits[c].exposures[j] - self.balance.map_or(0.0, beyond)
    }

    /// The step to frame `j` by the fits: its uncertainty combines that of the fits, the scatter between channels, what the
    /// smoothness of the curve decides, and how far the darker and the brighter half of the blocks of the two frames differ.
    fn measure(&self, j: usize) -> Option<Estimate> {
        let count = self.fits.len() as f64;
        let step = |c: usize| self.exposure(c, j) - self.exposure(c, j - 1);
        let steps: Vec<f64> = (0..self.fits.len()).map(step).collect();
        let mean = steps.iter().sum::<f64>() / count;
        let scatter = steps.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / count;
        let noise = |f: &TableFit| {
            f.exposure_uncertainty[j].powi(2) + f.exposure_uncertainty[j - 1].powi(2)
        };
        let noise = self.fits.iter().map(noise).sum::<f64>() / count;
        let channels = self.fits.iter().zip(self.samples);
        let halves: Vec<f64> = channels
            .filter_map(|(fit, samples)| {
                ratios::halves_apart(samples, &fit.log2_exposure, (j - 1, j), ratios::MARGIN.0)
            })
            .collect();
        if halves.len() < self.fits.len() {
            return None;
        }
        let apart = halves.iter().map(|h| h * h).sum::<f64>() / halves.len().max(1) as f64;
        let smooth = SMOOTH * mean.abs().max(0.5);
        mean.is_finite()
            .then(|| Estimate::new(mean, (scatter + noise + apart + smooth * smooth).sqrt()))
    }

    /// The exposures if no factor is known: the stated span is kept, and each frame between its ends is judged by itself.
    fn by_frame(&self, findings: &mut Vec<Finding>) -> Vec<Estimate> {
        let one = |(j, &stated): (usize, &Estimate)| match self.of_frame(j) {
            Some(measured) => settle(self.bracket, j, measured, findings),
            None => stated,
        };
        self.stated.iter().enumerate().map(one).collect()
    }

    /// The exposure of frame `j` averaged over the channels; `None` if it is held. Its uncertainty combines that of the fits,
    /// the scatter between channels, and what the smoothness of the curve decides.
    fn of_frame(&self, j: usize) -> Option<Estimate> {
        if j <= self.run.start || j + 1 >= self.run.end {
            return None;
        }
        let count = self.fits.len() as f64;
        let values: Vec<f64> = (0..self.fits.len()).map(|c| self.exposure(c, j)).collect();
        let mean = values.iter().sum::<f64>() / count;
        let scatter = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / count;
        let noise = |f: &TableFit| f.exposure_uncertainty[j].powi(2);
        let noise = self.fits.iter().map(noise).sum::<f64>() / count;
        let value = |j: usize| self.stated[j].value;
        let away = (value(j) - value(self.run.start)).min(value(self.run.end - 1) - value(j));
        let smooth = SMOOTH * away.max(0.5);
        mean.is_finite()
            .then(|| Estimate::new(mean, (scatter + noise + smooth * smooth).sqrt()))
    }
}
