//! Uncertainty of the scale of log radiance, from the exposures of the bracket and from known densities.
use crate::wedge::PatchSample;
use std::f64::consts::LOG2_10;

/// Largest density used, relative to the lightest patch used; stray light distorts the scale below it.
const DEEPEST: f64 = 1.5;
/// Smallest number of patches for a scale.
const FEWEST: usize = 5;

/// Relative standard uncertainty of the scale of log radiance, and so of every range in stops. `span` is the relative
/// standard uncertainty of the exposure span where the response was fitted to it. Densities with standard uncertainty
/// `density_uncertainty` (D, independent between steps) reduce it if they agree with the radiances within twice both
/// uncertainties; the difference remains as uncertainty.
pub(super) fn uncertainty(patches: &[PatchSample], span: f64, density_uncertainty: f64) -> f64 {
    let Some((slope, own)) = slope(patches, density_uncertainty) else {
        return span;
    };
    let difference = slope - 1.0;
    let both = span.hypot(own);
    if span <= 0.0 || own <= 0.0 || difference.abs() > 2.0 * both {
        return span;
    }
    let narrowed = span * own / both;
    let shift = difference * (span / both).powi(2);
    narrowed.hypot(shift).min(span)
}

/// Slope of log radiance against density (1 if they agree), and its standard uncertainty.
fn slope(patches: &[PatchSample], density_uncertainty: f64) -> Option<(f64, f64)> {
    let clean = |s: &&PatchSample| {
        let p = &s.patch;
        p.clipped_share <= 0.01 && p.linear > 0.0 && p.snr >= 3.0
    };
    let points: Vec<(f64, f64)> = patches
        .iter()
        .filter(clean)
        .filter_map(|s| Some((s.patch.density?, -s.patch.linear.log2() / LOG2_10)))
        .collect();
    let lightest = points.iter().map(|p| p.0).reduce(f64::min)?;
    let points: Vec<_> = points
        .into_iter()
        .filter(|p| p.0 <= lightest + DEEPEST)
        .collect();
    if points.len() < FEWEST {
        return None;
    }
    let n = points.len() as f64;
    let mean = |f: fn(&(f64, f64)) -> f64| points.iter().map(f).sum::<f64>() / n;
    let (x, y) = (mean(|p| p.0), mean(|p| p.1));
    let spread: f64 = points.iter().map(|p| (p.0 - x).powi(2)).sum();
    let product: f64 = points.iter().map(|p| (p.0 - x) * (p.1 - y)).sum();
    (spread > 0.0).then(|| (product / spread, density_uncertainty / spread.sqrt()))
}
