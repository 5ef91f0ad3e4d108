//! Intervals of a range where the curve itself is uncertain: the patches are taken through curves drawn from its uncertainty.
use super::fit::{Observation, fit, misfit};
use super::interval::{PointEstimate, Resampling, Threshold, resampled};
use super::noise_model::Capture;
use stopspan_core::model::{NoiseModel, ResponseCurve};

/// Ranges in stops over all resamples, as [`resampled`], shared out over the drawn curves. Means and variances of the patches
/// follow each curve to first order.
pub(super) fn resampled_by_curves(
    capture: &Capture,
    estimate: &PointEstimate,
    thresholds: &[Threshold],
    (how, curves): (&Resampling, &[ResponseCurve]),
) -> Vec<Vec<f64>> {
    let mut ranges = vec![Vec::new(); thresholds.len()];
    for (index, curve) in curves.iter().enumerate() {
        let drawn = capture.by_curve(curve);
        let through =
            |(patch, seen): &(usize, Observation)| (*patch, carried(capture, &drawn, curve, seen));
        let seen: Vec<(usize, Observation)> = estimate.observations.iter().map(through).collect();
        let estimate = PointEstimate {
            observations: &seen,
            ..*estimate
        };
        let thresholds: Vec<Threshold> = thresholds
            .iter()
            .map(|t| Threshold {
                dark: capture.same_level(curve, t.dark),
                ..*t
            })
            .collect();
        let share = Resampling {
            count: how.count.div_ceil(curves.len()),
            seed: how.seed.wrapping_add(index as u64),
            ..*how
        };
        for (all, some) in ranges
            .iter_mut()
            .zip(resampled(&drawn, &estimate, &thresholds, &share))
        {
            all.extend(some);
        }
    }
    ranges.iter_mut().for_each(|r| r.sort_by(f64::total_cmp));
    ranges
}

/// Reduced chi-squared of the noise model fitted to the patches as a drawn curve shows them; infinite where none fits.
pub(super) fn misfit_by_curve(
    capture: &Capture,
    curve: &ResponseCurve,
    observations: &[(usize, Observation)],
    (code_floor, model): (f64, &NoiseModel),
) -> f64 {
    let drawn = capture.by_curve(curve);
    let through = |(_, seen): &(usize, Observation)| carried(capture, &drawn, curve, seen);
    let seen: Vec<Observation> = observations.iter().map(through).collect();
    let refs: Vec<&Observation> = seen.iter().collect();
    let fitted = fit(&refs, code_floor, Some(model));
    fitted.map_or(f64::INFINITY, |model| misfit(&refs, &model))
}

/// The observation of the same codes by another curve.
fn carried(
    capture: &Capture,
    drawn: &Capture,
    curve: &ResponseCurve,
    seen: &Observation,
) -> Observation {
    let radiance = capture.same_level(curve, seen.radiance);
    let steeper = drawn.steepness(radiance) / capture.steepness(seen.radiance).max(1e-300);
    Observation::new(
        drawn,
        radiance,
        seen.variance * steeper * steeper,
        seen.samples,
    )
}
