//! Neighbouring steps under every criterion.
use super::{jnd_index, lightness};
use crate::measure::oecf::srgb_to_linear;
use crate::measure::result::{JoinReason, Pair, Patch, VisualWhite};
use crate::measure::wedge::{LARGEST_RATIO, ratio};
use crate::statistics::significance::{Sample, holm, welch_greater};

/// Separation from which two patches count as told apart per pixel (75 % correct in a two-choice task is 0.95).
pub const SEPARATION: f64 = 1.0;
/// Share of clipped pixels above which a patch counts as clipped.
pub(crate) const CLIPPED: f64 = 0.01;
/// Share of pixels at the black floor from which a patch counts as crushed.
const CRUSHED: f64 = 0.5;
/// Level of the patch-mean test for all pairs together.
const SIGNIFICANCE: f64 = 0.01;
/// CIE lightness difference that counts as seen.
const LIGHTNESS_STEP: f64 = 1.0;

/// What the criteria lean on beside the patches.
#[derive(Debug, Clone, Copy)]
pub struct Criteria {
    /// Step of the `code` criterion in 8-bit codes: 1, or less for a deeper file's own code.
    pub code_step: f64,
    /// Luminance of white for just-noticeable differences, cd/m^2.
    pub display_white: f64,
    /// What counts as white.
    pub white: VisualWhite,
}

/// Every neighbouring pair of `patches` (lightest first) under every criterion. Empty with fewer than two patches.
pub fn pairs(patches: &[Patch], criteria: &Criteria) -> Vec<Pair> {
    let p: Vec<f64> = patches.windows(2).map(|w| welch(&w[0], &w[1])).collect();
    let white = patches.first().map_or(1.0, |p| p.linear);
    patches
        .windows(2)
        .zip(holm(&p))
        .map(|(w, p_value)| pair(&w[0], &w[1], p_value, (criteria, white)))
        .collect()
}

/// One-sided p value of Welch's test that the first mean is the greater; 1 (nothing shown) where it cannot be made.
fn welch(first: &Patch, second: &Patch) -> f64 {
    let sample = |p: &Patch| Sample {
        mean: p.linear,
        deviation: p.linear_deviation,
        effective_count: p.effective_samples.max(1.2),
    };
    welch_greater(&sample(first), &sample(second)).map_or(1.0, |w| w.p)
}

fn pair(light: &Patch, dark: &Patch, p_value: f64, (criteria, white): (&Criteria, f64)) -> Pair {
    let separation = separation(light, dark);
    let code_difference = light.code.zip(dark.code).map(|(a, b)| a[1] - b[1]);
    let (a, b) = (
        display(light, criteria, white),
        display(dark, criteria, white),
    );
    let lightness_difference = lightness(a) - lightness(b);
    let jnd = |y: f64| jnd_index(y * criteria.display_white);
    let clear = light.clipped_share.max(dark.clipped_share) <= CLIPPED;
    let by_noise = clear && separation >= SEPARATION;
    let (reason, decided_by) = reason(light, dark, separation, by_noise);
    Pair {
        step: light.step,
        separation,
        code_difference,
        lightness_difference,
        jnd_difference: jnd(a) - jnd(b),
        p_value,
        by_noise,
        by_code: code_difference.map(|d| clear && d >= criteria.code_step),
        by_visual: clear && lightness_difference >= LIGHTNESS_STEP,
        by_mean: clear && p_value <= SIGNIFICANCE,
        reason,
        decided_by,
        limit: match reason {
            Some(JoinReason::Clipped) => CLIPPED,
            Some(JoinReason::Crushed) => CRUSHED,
            _ => SEPARATION,
        },
    }
}

/// `(m1 - m2) / sqrt((s1^2 + s2^2)/2)`, held to +-1e6 where no noise is seen.
fn separation(light: &Patch, dark: &Patch) -> f64 {
    let pooled = ((light.linear_deviation.powi(2) + dark.linear_deviation.powi(2)) / 2.0).sqrt();
    ratio(light.linear - dark.linear, pooled).clamp(-LARGEST_RATIO, LARGEST_RATIO)
}

fn reason(
    light: &Patch,
    dark: &Patch,
    separation: f64,
    by_noise: bool,
) -> (Option<JoinReason>, f64) {
    let clipped = light.clipped_share.max(dark.clipped_share);
    let crushed = light.crushed_share.max(dark.crushed_share);
    if by_noise {
        (None, separation)
    } else if clipped > CLIPPED {
        (Some(JoinReason::Clipped), clipped)
    } else if crushed >= CRUSHED {
        (Some(JoinReason::Crushed), crushed)
    } else if separation < 0.0 && welch(dark, light) <= SIGNIFICANCE {
        (Some(JoinReason::Order), separation)
    } else {
        (Some(JoinReason::Noise), separation)
    }
}

/// Luminance relative to the stated white.
fn display(patch: &Patch, criteria: &Criteria, lightest: f64) -> f64 {
    match (criteria.white, patch.code) {
        (VisualWhite::FullScale, Some([r, g, b])) => {
            let linear = |code: f64| srgb_to_linear((code / 255.0).clamp(0.0, 1.0));
            // Luminance of the sRGB primaries, IEC 61966-2-1.
            0.2126 * linear(r) + 0.7152 * linear(g) + 0.0722 * linear(b)
        }
        _ if lightest > 0.0 => patch.linear / lightest,
        _ => 0.0,
    }
}
