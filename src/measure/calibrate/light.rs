//! Light of each step, averaged over the frames that record it well.
use crate::subject::Subject;
use crate::wedge::patches;
use stopspan_core::results::{Patch, PictureKind, WedgePlace};

/// Distance of a patch's mean from the floor and from the clip level, 8-bit codes, from which a frame is used.
const MARGIN: (f64, f64) = (3.0, 4.0);
/// Largest share of clipped or crushed pixels of a usable patch.
const LOST: f64 = 0.001;
/// Smallest ratio of the mean to its standard uncertainty.
const LEAST_SNR: f64 = 8.0;
/// Relative standard uncertainty of a frame's light other than noise, from block means through a fitted curve (judgement).
const CURVE: f64 = 0.003;

/// The light of one step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StepLight {
    /// Step number, 1 = lightest.
    pub step: usize,
    /// Stated density.
    pub density: f64,
    /// Its standard uncertainty, density.
    pub density_uncertainty: f64,
    /// log10 of relative radiance.
    pub log: f64,
    /// Standard uncertainty of `log` from noise and response, > 0.
    pub uncertainty: f64,
    /// Position on the wedge as a page: (column, row) relative to its middle, -0.5..=0.5.
    pub place: (f64, f64),
}

/// The steps that at least one frame records well, each a mean over those frames weighted by inverse variance. `assumed` is
/// the standard uncertainty of densities without a stated one. Empty without known densities. Subjects other than frames
/// are ignored.
pub fn step_lights(subjects: &[Subject], place: &WedgePlace, assumed: f64) -> Vec<StepLight> {
    let frames: Vec<(&Subject, Vec<Patch>)> = subjects
        .iter()
        .filter(|s| s.kind == PictureKind::Frame)
        .map(|s| {
            let found = patches(s, place).0;
            (s, found.into_iter().map(|p| p.patch).collect())
        })
        .collect();
    let light = |step: usize| {
        let density = place.density_of(step)?;
        let (mut sum, mut weights) = (0.0, 0.0);
        for (subject, list) in &frames {
            if let Some((log, u)) = list.get(step - 1).and_then(|p| of_patch(subject, p)) {
                sum += log / (u * u);
                weights += 1.0 / (u * u);
            }
        }
        (weights > 0.0).then(|| StepLight {
            step,
            density,
            density_uncertainty: place.density_uncertainty_of(step).unwrap_or(assumed),
            log: sum / weights,
            uncertainty: weights.powf(-0.5),
            place: place.centre_of(step),
        })
    };
    (1..=place.steps()).filter_map(light).collect()
}

/// log10 radiance of a patch and its standard uncertainty; `None` if the frame does not record it well.
fn of_patch(subject: &Subject, patch: &Patch) -> Option<(f64, f64)> {
    let curve = &subject.sources.first()?.curve;
    let level = patch.code?[1] / 255.0;
    let one = 1.0 / 255.0;
    let low = curve.floor_level.max(curve.supported.0);
    // A fitted curve is extrapolated below its lowest blocks at any bit depth; a linear one (supported from 0) is exact
    // there.
    let drawn_on = subject.bits == 8 || curve.supported.0 > 0.0;
    let low = if drawn_on { low + MARGIN.0 * one } else { low };
    let held = level > low
        && level < curve.clip_level - MARGIN.1 * one
        && patch.clipped_share <= LOST
        && patch.crushed_share <= LOST
        && patch.linear > 0.0;
    let noise = patch.linear_deviation / patch.effective_samples.max(1.0).sqrt() / patch.linear;
    if !held || noise > 1.0 / LEAST_SNR {
        return None;
    }
    let response = curve.uncertainty_at(level) * std::f64::consts::LN_2;
    let relative = noise.hypot(CURVE).hypot(response);
    Some((patch.linear.log10(), relative * std::f64::consts::LOG10_E))
}
