//! Variance of the pixels inside blocks by frame and level: noise, with the texture typical of the scene.
use super::NODES;
use crate::blocks::BlockSamples;

/// Number of bins of level.
const BINS: usize = 32;
/// Least number of blocks in a bin.
const ENOUGH: usize = 10;

/// Variances inside blocks by frame and code, codes^2.
pub(super) struct Spread {
    /// Medians.
    pub noise: Vec<Vec<f64>>,
    /// Lowest fifths, of blocks with little texture.
    pub quiet: Vec<Vec<f64>>,
}

impl Spread {
    /// The initial value, 1 code^2 everywhere.
    pub(super) fn unknown(frames: usize) -> Self {
        let one = vec![vec![1.0; NODES]; frames];
        Spread {
            noise: one.clone(),
            quiet: one,
        }
    }

    /// Mean noise of the frames at a code, codes^2.
    pub(super) fn mean(&self, code: usize) -> f64 {
        self.noise.iter().map(|n| n[code]).sum::<f64>() / self.noise.len().max(1) as f64
    }

    /// Measured from the samples.
    pub(super) fn of(samples: &BlockSamples) -> Self {
        let frames = (0..samples.frames).map(|frame| {
            let mut bins = by_level(samples, frame);
            (by_code(&mut bins, 2), by_code(&mut bins, 5))
        });
        let (noise, quiet) = frames.unzip();
        Spread { noise, quiet }
    }
}

/// Variances of the unclipped blocks of one frame, by bin of level.
fn by_level(samples: &BlockSamples, frame: usize) -> Vec<Vec<f32>> {
    let mut bins: Vec<Vec<f32>> = vec![Vec::new(); BINS];
    for i in (frame..samples.mean.len()).step_by(samples.frames) {
        let even = f64::from(samples.variance[i]) < samples.quiet_codes().powi(2);
        if samples.peak[i] <= 254.0 && even {
            bins[samples.mean[i] as usize * BINS / NODES].push(samples.variance[i]);
        }
    }
    bins
}

/// The quantile `1 / part` of the variances, by code; the mean over all bins where a bin has too few blocks.
fn by_code(bins: &mut [Vec<f32>], part: usize) -> Vec<f64> {
    let quantile = |values: &mut Vec<f32>| {
        let index = values.len() / part;
        (values.len() >= ENOUGH)
            .then(|| f64::from(*values.select_nth_unstable_by(index, f32::total_cmp).1))
    };
    let found: Vec<Option<f64>> = bins.iter_mut().map(quantile).collect();
    let count = found.iter().flatten().count().max(1) as f64;
    let typical = (found.iter().flatten().sum::<f64>() / count).max(1.0);
    (0..NODES)
        .map(|code| found[code * BINS / NODES].unwrap_or(typical))
        .collect()
}
