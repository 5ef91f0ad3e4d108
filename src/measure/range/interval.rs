//! Intervals by block bootstrap over the pixels of the patches, together with response and exposure span (Efron and
//! Tibshirani 1993; blocks as in Kuensch 1989).
use super::departure::Departure;
use super::fit::{Observation, fit};
use super::noise_model::Capture;
use super::threshold::Crossing;
use crate::wedge::{BlockSum, PatchSample};
use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, Gamma, StandardNormal};
use stopspan_core::model::NoiseModel;

/// Smallest number of blocks to resample; patches with fewer use the distribution of a variance instead.
const FEWEST_BLOCKS: usize = 20;
/// Largest number of groups into which the blocks of a patch are combined.
const MOST_GROUPS: usize = 64;

/// Settings of the resampling.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Resampling {
    /// Number of resamples, 2000 for a report.
    pub count: usize,
    /// Seed; equal seeds give equal intervals.
    pub seed: u64,
    /// Relative standard uncertainty of the exposure span where the response was fitted to it, because it then scales every
    /// range; else 0.
    pub span_relative: f64,
    /// Standard uncertainty of a stated density, D, independent between steps; 0 where densities were already used and must
    /// not narrow the scale.
    pub density_uncertainty: f64,
}

/// A threshold at which a range is resampled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Threshold {
    /// SNR of one pixel.
    pub snr: f64,
    /// Darkest radiance that reaches it, by the point estimate.
    pub dark: f64,
    /// Relative standard uncertainty of `snr` itself (for an area, from the measured correlation).
    pub relative: f64,
}

/// The point estimate that is resampled, with its data.
#[derive(Clone, Copy)]
pub(crate) struct PointEstimate<'a> {
    /// Patches of the wedge.
    pub patches: &'a [PatchSample],
    /// Observations behind the fit, each with the index of its patch.
    pub observations: &'a [(usize, Observation)],
    /// The noise model of the point estimate.
    pub model: &'a NoiseModel,
    /// How the noise departs from it; `None` where that is not looked for, and `spread` stands for it.
    pub departure: Option<&'a Departure>,
    /// Smallest code variance in the fit, squared 8-bit codes.
    pub code_floor: f64,
    /// Factor >= 1 on the resampled change of the variances, for an imperfect fit of the model.
    pub spread: f64,
    /// Relative standard uncertainty of the scale of log radiance.
    pub scale: f64,
}

impl PointEstimate<'_> {
    /// By process of the departure: its uncertainty at a radiance that comes of the patches' distance.
    fn left_between(&self, radiance: f64) -> Vec<f64> {
        let of = |d: &Departure| (0..d.len()).map(|p| d.remaining(p, radiance)).collect();
        self.departure.map(of).unwrap_or_default()
    }

    /// Where the SNR crosses a threshold.
    fn crossing(&self, capture: &Capture, threshold: &Threshold) -> Crossing {
        let snr_at = |radiance: f64| snr(capture, self.model, self.departure, radiance);
        Crossing::at(threshold.dark, capture.top(), snr_at, threshold.snr)
    }
}

/// Resampling of the variance of one patch.
enum Redraw {
    /// Groups of blocks, and their share of the patch's pixels.
    Blocks(Vec<BlockSum>, f64),
    /// Gamma distribution of mean 1.
    Gamma(Gamma<f64>),
}

impl Redraw {
    fn of(sample: &PatchSample, samples: f64) -> Self {
        if sample.blocks.len() >= FEWEST_BLOCKS {
            let pixels: f64 = sample.blocks.iter().map(|b| b.pixels).sum();
            let share = pixels / sample.patch.pixels as f64;
            return Redraw::Blocks(grouped(&sample.blocks), share);
        }
        let half = (samples / 2.0).max(0.5);
        match Gamma::new(half, 1.0 / half) {
            Ok(gamma) => Redraw::Gamma(gamma),
            Err(_) => Redraw::Blocks(Vec::new(), 1.0),
        }
    }

    /// A random factor on the patch's variance. Its spread is reduced by the share of the pixels that lie in whole blocks.
    fn factor(&self, rng: &mut impl Rng) -> f64 {
        match self {
            Redraw::Gamma(gamma) => gamma.sample(rng),
            Redraw::Blocks(groups, _) if groups.len() < 2 => 1.0,
            Redraw::Blocks(groups, share) => {
                let n = groups.len();
                let mut drawn = BlockSum::default();
                for _ in 0..n {
                    drawn.add(&groups[rng.random_range(0..n)]);
                }
                let mut all = BlockSum::default();
                groups.iter().for_each(|g| all.add(g));
                let unbiased = n as f64 / (n as f64 - 1.0);
                let change = drawn.variance() / all.variance().max(1e-300) - 1.0;
                (1.0 + change * (share * unbiased).sqrt()).max(1e-6)
            }
        }
    }
}

impl BlockSum {
    fn add(&mut self, other: &BlockSum) {
        self.pixels += other.pixels;
        self.sum += other.sum;
        self.squares += other.squares;
    }

    fn variance(&self) -> f64 {
        (self.squares / self.pixels - (self.sum / self.pixels).powi(2)).max(0.0)
    }
}

fn grouped(blocks: &[BlockSum]) -> Vec<BlockSum> {
    let size = blocks.len().div_ceil(MOST_GROUPS);
    blocks
        .chunks(size)
        .map(|chunk| {
            let mut group = BlockSum::default();
            chunk.iter().for_each(|b| group.add(b));
            group
        })
        .collect()
}

/// Mean over standard deviation at a radiance.
fn snr(capture: &Capture, model: &NoiseModel, departure: Option<&Departure>, radiance: f64) -> f64 {
    match departure {
        Some(departure) => departure.snr(capture, model, radiance),
        None => capture.snr(model, radiance),
    }
}

/// Ranges in stops over all resamples, one sorted list per threshold. The resampling covers the pixels of the patches by
/// blocks and, by their standard uncertainties, the scale of log radiance (span and densities), the exposures, the response
/// at both ends, and the correlation of the noise.
pub(crate) fn resampled(
    capture: &Capture,
    estimate: &PointEstimate,
    thresholds: &[Threshold],
    how: &Resampling,
) -> Vec<Vec<f64>> {
    let observations = estimate.observations;
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(how.seed);
    let redraws: Vec<Redraw> = observations
        .iter()
        .map(|(i, o)| Redraw::of(&estimate.patches[*i], o.samples))
        .collect();
    let fixed: Vec<f64> = thresholds
        .iter()
        .map(|t| {
            let response = capture.response_uncertainty(t.dark);
            response.hypot(capture.exposure_uncertainty(t.dark))
        })
        .collect();
    let mut drawn: Vec<Observation> = observations.iter().map(|(_, o)| o.clone()).collect();
    let mut ranges = vec![Vec::with_capacity(how.count); thresholds.len()];
    let left = |t: &Threshold| estimate.left_between(t.dark);
    let between: Vec<Vec<f64>> = thresholds.iter().map(left).collect();
    let crossing = |t: &Threshold| estimate.crossing(capture, t);
    let crossings: Vec<Crossing> = thresholds.iter().map(crossing).collect();
    for _ in 0..how.count {
        let drawn_process = estimate.departure.map(|d| d.draw(&mut rng));
        let (process, spread) = drawn_process.unwrap_or((0, estimate.spread));
        for ((o, (_, seen)), redraw) in drawn.iter_mut().zip(observations).zip(&redraws) {
            let factor = 1.0 + (redraw.factor(&mut rng) - 1.0) * spread;
            o.variance = seen.variance * factor.max(1e-6);
        }
        let refs: Vec<&Observation> = drawn.iter().collect();
        let Some(refit) = fit(&refs, estimate.code_floor, Some(estimate.model)) else {
            continue;
        };
        let departure = estimate
            .departure
            .map(|d| d.redrawn(process, &refs, &refit));
        let snr_at = |radiance: f64| snr(capture, &refit, departure.as_ref(), radiance);
        let mut normal = || rng.sample::<f64, _>(StandardNormal);
        let (scale, ends) = (1.0 + estimate.scale * normal(), normal());
        let (asked, more) = (normal(), normal());
        for (i, (t, range)) in thresholds.iter().zip(&mut ranges).enumerate() {
            let departed = (0.5 * between[i].get(process).unwrap_or(&0.0) * more).exp();
            // A longer scale makes noise, relative to light, larger as well.
            let wanted = t.snr * (1.0 + t.relative * asked).max(0.1) * departed * scale;
            let stops = (capture.top() / crossings[i].again(snr_at, wanted)).log2();
            // A range is never less than none.
            range.push((stops * scale + fixed[i] * ends).max(0.0));
        }
    }
    ranges.iter_mut().for_each(|r| r.sort_by(f64::total_cmp));
    ranges
}

/// The central 95 % of a sorted list; `None` with fewer than 40 elements.
pub(crate) fn central95(sorted: &[f64]) -> Option<(f64, f64)> {
    if sorted.len() < 40 {
        return None;
    }
    let at = |q: f64| sorted[((sorted.len() - 1) as f64 * q).round() as usize];
    Some((at(0.025), at(0.975)))
}
