//! Measures the black offset of linear frames, the level without light.
//!
//! Levels `a` and `b` of one point in two linear frames with offset d obey `b - d = k (a - d)`, a line of slope k that meets
//! the diagonal at d. Slope and offset are both fitted, so that wrong exposure times do not appear as an offset. Negative
//! offsets occur in cameras that subtract too much and clip at zero.
use super::blocks::BlockSamples;
use nalgebra::DMatrix;
use stopspan_core::statistics::fit::least_squares;
use stopspan_core::units::Estimate;

/// Number of bins of level, a third of an octave each.
const BINS: usize = 24;
/// Least number of blocks in a bin, and of bins for a pair of frames.
const ENOUGH: (usize, usize) = (8, 6);
/// Minimum uncertainty of a bin mean: 0.1 code plus 0.5 % of the level, for sensor non-linearity.
const OFF: (f64, f64) = (0.1, 0.005);
/// Least exposure ratio of two frames: below it the line meets the diagonal at too small an angle.
const LEAST_STEP: f64 = 1.3;
/// Least offset that is significant: 8-bit codes, and standard uncertainties.
const BELIEVED: (f64, f64) = (0.5, 4.0);
/// Largest plausible offset, 8-bit codes: beyond it the frames are not linear.
const MOST: f64 = 40.0;

/// The black offset of one channel in codes of 0..=255, with its standard uncertainty from the scatter about the lines; `None`
/// if it does not differ significantly from zero.
pub(super) fn measure(samples: &BlockSamples) -> Option<Estimate> {
    let pairs = (1..samples.frames).filter_map(|second| of_pair(samples, second - 1, second));
    let found: Vec<Estimate> = pairs.collect();
    let weight = |e: &Estimate| e.standard_uncertainty.max(0.02).powi(-2);
    let total: f64 = found.iter().map(weight).sum();
    if found.is_empty() {
        return None;
    }
    let mean = found.iter().map(|e| weight(e) * e.value).sum::<f64>() / total;
    let scatter = found
        .iter()
        .map(|e| weight(e) * (e.value - mean).powi(2))
        .sum::<f64>()
        / total;
    let uncertainty = (1.0 / total + scatter / found.len() as f64).sqrt();
    let told = mean.abs() > BELIEVED.0 && mean.abs() > BELIEVED.1 * uncertainty;
    (told && mean.abs() <= MOST).then(|| Estimate::new(mean, uncertainty))
}

/// The offset from one pair of frames.
fn of_pair(samples: &BlockSamples, first: usize, second: usize) -> Option<Estimate> {
    let points = points(samples, first, second);
    if points.len() < ENOUGH.1 {
        return None;
    }
    let design = DMatrix::from_fn(
        points.len(),
        2,
        |i, j| if j == 0 { points[i].0 } else { 1.0 },
    );
    let observed: Vec<f64> = points.iter().map(|p| p.1).collect();
    let weights: Vec<f64> = observed
        .iter()
        .map(|b| 1.0 / (OFF.0.powi(2) + (OFF.1 * b).powi(2)))
        .collect();
    let fit = least_squares(&design, &observed, &weights)?;
    let (slope, level) = (fit.coefficients[0], fit.coefficients[1]);
    if slope < LEAST_STEP {
        return None;
    }
    let offset = level / (1.0 - slope);
    let scale = (fit.chi_square / fit.degrees.max(1) as f64).max(1.0);
    // Propagation through level / (1 - slope), with the covariance of the two coefficients.
    let gradient = [offset / (1.0 - slope), 1.0 / (1.0 - slope)];
    let variance: f64 = (0..2)
        .flat_map(|i| (0..2).map(move |j| (i, j)))
        .map(|(i, j)| gradient[i] * gradient[j] * fit.covariance[(i, j)])
        .sum();
    Some(Estimate::new(offset, (scale * variance.max(0.0)).sqrt()))
}

/// Mean levels (first, second) of the blocks both frames show well, by bins of their sum, which favours neither's noise.
fn points(samples: &BlockSamples, first: usize, second: usize) -> Vec<(f64, f64)> {
    let mut bins = [(0.0, 0.0, 0usize); BINS];
    for block in 0..samples.len() {
        let at = |j: usize| block * samples.frames + j;
        let (a, b) = (at(first), at(second));
        // Blocks that reach into black are cut there.
        let sound = |i: usize| {
            f64::from(samples.mean[i]) > 1.0 + 3.0 * f64::from(samples.variance[i]).sqrt()
                && samples.peak[i] <= 250.0
        };
        if sound(a) && sound(b) {
            let (low, high) = (f64::from(samples.mean[a]), f64::from(samples.mean[b]));
            let bin = ((low + high).log2() * 3.0).max(0.0) as usize;
            let bin = &mut bins[bin.min(BINS - 1)];
            bin.0 += low;
            bin.1 += high;
            bin.2 += 1;
        }
    }
    let enough = bins.iter().filter(|b| b.2 >= ENOUGH.0);
    enough
        .map(|b| (b.0 / b.2 as f64, b.1 / b.2 as f64))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Blocks of linear frames with an offset, codes rounded as means of 64 pixels are.
    fn blocks(offset: f64, factors: &[f64], encode: impl Fn(f64) -> f64) -> BlockSamples {
        let mut samples = BlockSamples {
            frames: factors.len(),
            pixels: 64,
            ..Default::default()
        };
        for i in 0..4000 {
            let light = (-7.0 + 7.5 * f64::from(i) / 4000.0).exp2();
            for factor in factors {
                let code = 255.0 * encode((light * factor).min(1.0)) + offset;
                let code = (code.clamp(0.0, 255.0) * 64.0).round() / 64.0;
                samples.mean.push(code as f32);
                samples.peak.push(code.ceil() as f32);
                samples.variance.push(0.1);
            }
        }
        samples
    }

    #[test]
    fn offsets_of_either_sign_are_found_and_none_is_not() {
        for offset in [-6.0, 4.0, 16.0] {
            let found = measure(&blocks(offset, &[0.25, 0.5, 1.0], |x| x)).unwrap();
            assert!((found.value - offset).abs() < 0.2, "{offset}: {found:?}");
        }
        assert_eq!(measure(&blocks(0.0, &[0.25, 0.5, 1.0], |x| x)), None);
    }

    /// The line's slope is free: what the times say plays no part, and equal frames say nothing.
    #[test]
    fn equal_frames_say_nothing() {
        assert_eq!(measure(&blocks(8.0, &[1.0, 1.0], |x| x)), None);
    }
}
