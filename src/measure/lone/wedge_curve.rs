//! The curve of a picture measured on a wedge of known densities: opto-electronic conversion function in the sense of ISO 14524.
//!
//! Log exposure of the steps, by their densities, is a smooth line over log light by IEC 61966-2-1, from which curves of cameras
//! depart slowly. Noise carried back through its slope is the incremental noise of ISO 15739. Even light over the wedge is taken
//! for granted; glare of the lens counts as part of the curve.
use super::smooth_line::{Knot, SmoothLine};
use crate::wedge::PatchSample;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::f64::consts::LOG2_10;
use stopspan_core::model::ResponseCurve;
use stopspan_core::results::{Limit, LinearLight, PictureMeasurement, WedgePlace};
use stopspan_core::units::{srgb_exposure, srgb_level};

/// Largest share of clipped pixels of a step behind the curve.
const CLIPPED: f64 = 0.01;
/// Largest share of black pixels of a step behind the curve. Cutting off so much of the lower tail of normal noise raises its
/// mean by 0.5 % (an SNR of 2).
const CRUSHED: f64 = 0.025;
/// How far below the darkest step behind the curve a range may reach, stops of light (judgement).
const FARTHEST: f64 = 1.5;
/// How far above the lightest step behind the curve the clip level may lie, stops of assumed light (judgement).
const HIGHEST: f64 = 0.5;
/// Spacing of the line's abscissae, stops of assumed light.
const SPACING: f64 = 0.15;
/// Lowest level of the line, 8-bit codes; below it exposure is proportional to the level.
const LOWEST: f64 = 0.25;
/// Curves drawn from the uncertainty of the line.
const DRAWN: usize = 200;
/// Seed of the draws: equal pictures give equal intervals.
const SEED: u64 = 14_524;

/// A curve measured on a wedge.
#[derive(Debug, Clone)]
pub struct WedgeCurve {
    /// The curve of the measuring channel, for all channels; exposure 1 at the clip level.
    pub curve: ResponseCurve,
    /// Curves drawn from its uncertainty.
    pub drawn: Vec<ResponseCurve>,
    /// Stops of assumed light from the lightest step behind the curve to the clip level, if that is too far to carry the curve
    /// on; every range is a lower bound then.
    pub top_beyond_stops: Option<f64>,
    /// The lowest exposure to which the curve may be carried on.
    pub lowest: f64,
    /// What the curve leans on.
    pub light: LinearLight,
}

/// The curve of a picture whose patches were made linear by `base`, the transfer function of IEC 61966-2-1 with the picture's own
/// clip and floor level. `assumed` is the standard uncertainty of densities without a stated one, density.
///
/// # Errors
/// The reason, in words, where the steps do not give a curve.
pub fn wedge_curve(
    samples: &[PatchSample],
    place: &WedgePlace,
    base: &ResponseCurve,
    assumed: f64,
) -> Result<WedgeCurve, String> {
    let steps = usable(samples, place, assumed);
    let few = || {
        format!(
            "only {} steps are neither clipped nor black, and a curve needs 5",
            steps.len()
        )
    };
    let knots: Vec<Knot> = steps.iter().map(knot).collect();
    let lightest = knots.iter().map(|k| k.x).reduce(f64::max).ok_or_else(few)?;
    let darkest = knots.iter().map(|k| k.x).fold(lightest, f64::min);
    let grid = grid();
    let line = SmoothLine::through(&knots, &grid).ok_or_else(few)?;
    let curve = |y: &[f64]| curve_through(base, y);
    let measured = curve(line.mean());
    let lowest = measured.exposure_at(srgb_level(darkest.exp2())) * (-FARTHEST).exp2();
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    let beyond = srgb_exposure(base.clip_level).log2() - lightest;
    let squares: f64 = steps.iter().map(|s| s.density_uncertainty.powi(2)).sum();
    Ok(WedgeCurve {
        lowest,
        curve: measured,
        drawn: (0..DRAWN).map(|_| curve(&line.drawn(&mut rng))).collect(),
        top_beyond_stops: (beyond > HIGHEST).then_some(beyond),
        light: LinearLight::Wedge {
            steps: steps.len(),
            density_uncertainty: (squares / steps.len() as f64).sqrt(),
            uncertainty_assumed: place.density_uncertainty.is_none(),
        },
    })
}

/// One step behind the curve.
struct Step {
    /// Mean light by the assumed transfer function, > 0.
    light: f64,
    /// Relative standard uncertainty of that mean, from noise.
    relative: f64,
    density: f64,
    density_uncertainty: f64,
}

/// The steps of known density that are neither clipped nor black.
fn usable(samples: &[PatchSample], place: &WedgePlace, assumed: f64) -> Vec<Step> {
    let good = samples
        .iter()
        .map(|s| &s.patch)
        .filter(|p| p.clipped_share <= CLIPPED && p.crushed_share <= CRUSHED && p.linear > 0.0);
    good.filter_map(|p| {
        Some(Step {
            light: p.linear,
            relative: p.linear_deviation / p.linear / p.effective_samples.max(1.0).sqrt(),
            density: place.density_of(p.step)?,
            density_uncertainty: place.density_uncertainty_of(p.step).unwrap_or(assumed),
        })
    })
    .collect()
}

/// A step as a point of the line: log2 of assumed light, log2 of light by its density.
fn knot(step: &Step) -> Knot {
    Knot {
        x: step.light.log2(),
        y: -step.density * LOG2_10,
        uncertainty: (step.density_uncertainty * LOG2_10)
            .hypot(step.relative / std::f64::consts::LN_2)
            .max(1e-4),
    }
}

/// Abscissae of the line: log2 of assumed light, from that of the lowest level to 0.
fn grid() -> Vec<f64> {
    let lowest = srgb_exposure(LOWEST / 255.0).log2();
    let count = (-lowest / SPACING).ceil() as usize;
    (0..=count)
        .map(|i| lowest * (1.0 - i as f64 / count as f64))
        .collect()
}

/// The line's ordinate at an abscissa, by cubic convolution (Keys 1981); along its end slopes outside.
fn ordinate(y: &[f64], x: f64) -> f64 {
    let last = y.len() - 1;
    let lowest = srgb_exposure(LOWEST / 255.0).log2();
    let position = (1.0 - x / lowest) * last as f64;
    let index = (position.floor().max(0.0) as usize).min(last - 1);
    let t = (position - index as f64).clamp(0.0, 1.0);
    let (b, c) = (y[index], y[index + 1]);
    let a = if index > 0 { y[index - 1] } else { 2.0 * b - c };
    let d = if index + 2 <= last {
        y[index + 2]
    } else {
        2.0 * c - b
    };
    b + 0.5 * t * (c - a + t * (2.0 * a - 5.0 * b + 4.0 * c - d + t * (3.0 * (b - c) + d - a)))
}

/// The curve with the ordinates `y` of the line, as a table of the same levels as `base`, strictly increasing.
fn curve_through(base: &ResponseCurve, y: &[f64]) -> ResponseCurve {
    let last = (base.exposure.len() - 1) as f64;
    let lowest = LOWEST / 255.0;
    let light = |level: f64| {
        let inside = level.max(lowest);
        ordinate(y, srgb_exposure(inside).log2()).exp2() * level / inside
    };
    let top = light(base.clip_level);
    let mut exposure: Vec<f64> = (0..base.exposure.len())
        .map(|i| light(i as f64 / last) / top)
        .collect();
    for i in 1..exposure.len() {
        exposure[i] = exposure[i].max(exposure[i - 1] * (1.0 + 1e-9) + 1e-12);
    }
    ResponseCurve {
        exposure,
        ..base.clone()
    }
}

/// Makes every range a lower bound: the clip level lies above the lightest step, and so does the top of the range.
pub(super) fn bounded_below(measured: &mut PictureMeasurement) {
    for usable in &mut measured.usable_stops {
        usable.limited_by = Limit::Wedge;
        (usable.low95, usable.high95, usable.normalised) = (None, None, None);
    }
}
