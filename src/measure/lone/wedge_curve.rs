//! The curve of a picture measured on a wedge of known densities: opto-electronic conversion function in the sense of ISO 14524.
//!
//! Log exposure of the steps, by their densities, is a smooth line over log light by IEC 61966-2-1, from which curves of cameras
//! depart by contrast and, slowly, otherwise. Noise carried back through its slope is the incremental noise of ISO 15739. Even light over the wedge is taken
//! for granted; glare of the lens counts as part of the curve.
use super::smooth_line::{EvenKnot, Knot, SmoothLine};
use crate::wedge::PatchSample;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::f64::consts::{LN_2, LOG2_10, PI};
use stopspan_core::model::ResponseCurve;
use stopspan_core::results::{Limit, LinearLight, Patch, PictureMeasurement, WedgePlace};
use stopspan_core::statistics::significance::normal_quantile;
use stopspan_core::units::{srgb_exposure, srgb_level};

/// Largest share of clipped pixels of a step behind the curve.
const CLIPPED: f64 = 0.01;
/// Largest share of black pixels of a step behind the curve; normal noise of an SNR of 0.84 has as many.
const CRUSHED: f64 = 0.2;
/// Share of black pixels from which the mean is corrected for what was cut off.
const CUT: f64 = 0.001;
/// How far below the darkest step behind the curve a range may reach, stops of light (judgement).
const FARTHEST: f64 = 1.0;
/// How far above the lightest step behind the curve the clip level may lie where no step is clipped, stops of assumed light
/// (judgement).
const HIGHEST: f64 = 0.25;
/// Largest share of clipped pixels of a step, in that of the next lighter one, that still shows where between its pixels the clip level
/// lies.
const ALL_CLIPPED: f64 = 0.9;
/// Standard uncertainty of that place, stops, beside that of the density (judgement).
const PLACE: f64 = 0.03;
/// Largest relative deviation of a pixel for which the second order is trusted.
const MOST_DEVIATION: f64 = 0.7;
/// Spacing of the line's abscissae, stops of assumed light.
const SPACING: f64 = 0.15;
/// Lowest level of the line, 8-bit codes; below it exposure is proportional to the level.
const LOWEST: f64 = 0.25;
/// Curves drawn from the uncertainty of the line.
const DRAWN: usize = 400;
/// Seed of the draws: equal pictures give equal intervals.
const SEED: u64 = 14_524;

/// A curve measured on a wedge.
#[derive(Debug, Clone)]
pub struct WedgeCurve {
    /// The curve of the measuring channel, for all channels; exposure 1 at the clip level.
    pub curve: ResponseCurve,
    /// Curves drawn from its uncertainty.
    pub drawn: Vec<ResponseCurve>,
    /// Stops of assumed light from the lightest step to the clip level, if no step is clipped and that is too far to carry the
    /// curve on. The curve then ends at the lightest step, and every range is a lower bound.
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
    let steps = usable(samples, place, base, assumed);
    let few = || {
        format!(
            "only {} steps are neither clipped nor black, and a curve needs 5",
            steps.len()
        )
    };
    let reversed = reversed(&steps);
    if reversed > 0 {
        return Err(format!(
            "{reversed} pair(s) of neighbouring steps are in reversed order beyond noise, so that no one curve describes the picture"
        ));
    }
    let mut knots: Vec<Knot> = steps.iter().map(knot).collect();
    let lightest = knots.iter().map(|k| k.x).reduce(f64::max).ok_or_else(few)?;
    let darkest = knots.iter().map(|k| k.x).fold(lightest, f64::min);
    let at_clip = clip_knot(samples, place, (base, &knots), assumed);
    let grid = grid();
    let line = SmoothLine::through(&knots, at_clip, &grid, contrast).ok_or_else(few)?;
    unbent(&mut knots, &steps, line.mean());
    let line = SmoothLine::through(&knots, at_clip, &grid, contrast).ok_or_else(few)?;
    let curve = |y: &[f64]| curve_through(base, y);
    let measured = curve(line.mean());
    let lowest = measured.exposure_at(srgb_level(darkest.exp2())) * (-FARTHEST).exp2();
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    let gap = srgb_exposure(base.clip_level).log2() - lightest;
    let beyond = (at_clip.is_none() && gap > HIGHEST).then_some(gap);
    let mut measured = measured;
    if beyond.is_some() {
        measured.clip_level = srgb_level(lightest.exp2()).min(base.clip_level);
    }
    let squares: f64 = steps.iter().map(|s| s.density_uncertainty.powi(2)).sum();
    Ok(WedgeCurve {
        lowest,
        curve: measured,
        drawn: (0..DRAWN).map(|_| curve(&line.drawn(&mut rng))).collect(),
        top_beyond_stops: beyond,
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
    /// Relative standard deviation of one pixel.
    deviation: f64,
    density: f64,
    density_uncertainty: f64,
}

/// The steps of known density that are neither clipped nor black.
fn usable(
    samples: &[PatchSample],
    place: &WedgePlace,
    base: &ResponseCurve,
    assumed: f64,
) -> Vec<Step> {
    let good = samples
        .iter()
        .map(|s| &s.patch)
        .filter(|p| p.clipped_share <= CLIPPED && p.crushed_share <= CRUSHED && p.linear > 0.0);
    good.filter_map(|p| {
        let root = p.effective_samples.max(1.0).sqrt();
        let (light, relative) = match p.crushed_share > CUT {
            true => uncut(p, base)?,
            false => (p.linear, p.linear_deviation / root / p.linear),
        };
        Some(Step {
            light,
            relative,
            deviation: relative * root,
            density: place.density_of(p.step)?,
            density_uncertainty: place.density_uncertainty_of(p.step).unwrap_or(assumed),
        })
    })
    .collect()
}

/// Neighbouring steps of which the denser one is lighter by more than three standard deviations.
fn reversed(steps: &[Step]) -> usize {
    let pairs = steps.windows(2).filter(|w| {
        let noise = w[0].relative.hypot(w[1].relative);
        (w[1].density - w[0].density) * (w[0].light / w[1].light).ln() < 0.0
            && (w[1].light / w[0].light).ln().abs() > 3.0 * noise
    });
    pairs.count()
}

/// Mean light of a patch, and its relative standard uncertainty, where black cuts off the lower tail of normal noise: from the
/// share that is cut off and the mean of what is left (Tobin 1958, without regressors). `None` where they contradict a normal
/// distribution of positive mean.
fn uncut(patch: &Patch, base: &ResponseCurve) -> Option<(f64, f64)> {
    let codes = if base.exposure.len() == 256 {
        255.0
    } else {
        65535.0
    };
    let floor = srgb_exposure(base.floor_level.max(0.0));
    let cut = srgb_exposure(base.floor_level.max(0.0) + 0.5 / codes);
    let share = patch.crushed_share;
    let end = normal_quantile(share)?;
    let height = (-end * end / 2.0).exp() / (2.0 * PI).sqrt();
    let left = patch.linear - share * floor;
    let deviation = (left - cut * (1.0 - share)) / (height - end * (1.0 - share));
    let light = cut - end * deviation;
    let count = patch.effective_samples.max(1.0);
    let of_share = (share * (1.0 - share) / count).sqrt() / height;
    let relative = deviation / light * (1.0 / count + of_share * of_share).sqrt();
    (deviation > 0.0 && light > 0.0).then_some((light, relative))
}

/// A step as a point of the line: log2 of assumed light, log2 of light by its density.
fn knot(step: &Step) -> Knot {
    Knot {
        x: step.light.log2(),
        y: -step.density * LOG2_10,
        uncertainty: (step.density_uncertainty * LOG2_10)
            .hypot(step.relative / LN_2)
            .max(1e-4),
    }
}

/// Moves the knots to where the mean of noisy pixels would lie if the line, of ordinates `y`, were straight in linear light: a power `s` of
/// values of relative deviation `d` has a mean higher by a share of `s (s - 1) d^2 / 2` (second order).
fn unbent(knots: &mut [Knot], steps: &[Step], y: &[f64]) {
    const NEAR: f64 = 0.25;
    for (knot, step) in knots.iter_mut().zip(steps) {
        let (low, high) = (knot.x - NEAR, (knot.x + NEAR).min(0.0));
        let slope = (ordinate(y, high) - ordinate(y, low)) / (high - low);
        let bent = (slope - 1.0) / 2.0 * step.deviation.min(MOST_DEVIATION).powi(2);
        knot.x += bent.max(-0.5).ln_1p() / LN_2;
    }
}

/// Light at the clip level, log2 by the densities: where a step is clipped in part from the share of its normal noise that is, else
/// anywhere between the noise of the lightest step that is not clipped and that of the darkest that is. `None` where no step is
/// clipped.
fn clip_knot(
    samples: &[PatchSample],
    place: &WedgePlace,
    (base, knots): (&ResponseCurve, &[Knot]),
    assumed: f64,
) -> Option<EvenKnot> {
    let mut clipped = samples.iter().map(|s| &s.patch);
    let darkest = clipped.rfind(|p| p.clipped_share > CLIPPED)?;
    let own = place.density_uncertainty_of(darkest.step);
    let uncertainty = own.unwrap_or(assumed) * LOG2_10;
    let light = -place.density_of(darkest.step)? * LOG2_10;
    let lighter = samples.iter().find(|s| s.patch.step + 1 == darkest.step);
    // Read noise on a full well leaves half of the pixels below the clip level, however light the step is.
    let most = lighter.map_or(1.0, |s| s.patch.clipped_share);
    let share = darkest.clipped_share / most.max(CLIPPED);
    let next = samples.iter().find(|s| s.patch.step > darkest.step)?;
    let relative = next.patch.linear_deviation / next.patch.linear;
    // log2 of a step's light at a quantile of its noise.
    let at = |share: f64| {
        let above = normal_quantile(share)? * relative;
        Some(above.max(-0.5).ln_1p() / LN_2)
    };
    let knot = |low: f64, high: f64, uncertainty: f64| EvenKnot {
        x: srgb_exposure(base.clip_level).log2(),
        low,
        high,
        uncertainty,
    };
    if share < ALL_CLIPPED {
        let y = light + at(1.0 - share)?;
        return Some(knot(y, y, uncertainty.hypot(PLACE)));
    }
    let below = knots.iter().map(|k| k.y).reduce(f64::max)?;
    let (low, high) = (below + at(1.0 - CLIPPED)?, light + at(1.0 - ALL_CLIPPED)?);
    let middle = (low + high) / 2.0;
    Some(knot(low.min(middle), high.max(middle), uncertainty))
}

/// Abscissae of the line: log2 of assumed light, from that of the lowest level to 0.
fn grid() -> Vec<f64> {
    let lowest = srgb_exposure(LOWEST / 255.0).log2();
    let count = (-lowest / SPACING).ceil() as usize;
    (0..=count)
        .map(|i| lowest * (1.0 - i as f64 / count as f64))
        .collect()
}

/// What an S-curve over the codes, half `v` and half `3 v^2 - 2 v^3`, adds to log2 of light at an abscissa: the shape of the contrast
/// that finished pictures are given, with shoulder and toe (common practice, no source).
fn contrast(x: f64) -> f64 {
    let level = srgb_level(x.min(0.0).exp2());
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..40 {
        let v = (low + high) / 2.0;
        if 0.5 * v + 0.5 * v * v * (3.0 - 2.0 * v) < level {
            low = v;
        } else {
            high = v;
        }
    }
    srgb_exposure(high).log2() - x.min(0.0)
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

#[cfg(test)]
mod tests {
    use super::*;
    use rand::Rng;
    use rand_distr::StandardNormal;
    use stopspan_core::raster::Point;

    /// Light of mean 0.0010 and deviation 0.0008 cut off at 0 (11 % of it) has a mean 4 % higher; the mean of all of it comes back.
    #[test]
    fn what_black_cuts_off_is_put_back() {
        let mut rng = ChaCha8Rng::seed_from_u64(4);
        let count = 200_000;
        let all: Vec<f64> = (0..count)
            .map(|_| 0.0010 + 0.0008 * rng.sample::<f64, _>(StandardNormal))
            .collect();
        let mean = all.iter().map(|v| v.max(0.0)).sum::<f64>() / f64::from(count);
        let black = all.iter().filter(|v| **v <= 0.0).count();
        let patch = Patch {
            step: 1,
            density: None,
            corners: [Point { x: 0.0, y: 0.0 }; 4],
            size_px: [20.0; 2],
            guard_px: 5.0,
            pixels: count as usize,
            effective_samples: f64::from(count),
            code: None,
            code_deviation: None,
            linear: mean,
            linear_deviation: 0.0008,
            block_deviation: None,
            snr: 1.0,
            clipped_share: 0.0,
            crushed_share: black as f64 / f64::from(count),
        };
        let base = ResponseCurve::linear(4096, 1.0);
        let (light, relative) = uncut(&patch, &base).unwrap();
        assert!(
            mean > 0.00103 && (light / 0.0010 - 1.0).abs() < 0.01,
            "{mean}, {light}"
        );
        assert!((0.001..0.01).contains(&relative), "{relative}");
    }
}
