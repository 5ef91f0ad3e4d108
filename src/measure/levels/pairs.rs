//! Neighbouring steps by every criterion.
use super::{jnd_index, lightness};
use crate::oecf::srgb_to_linear;
use crate::wedge::{LARGEST_RATIO, ratio};
use stopspan_core::results::{JoinReason, Pair, Patch, VisualWhite};
use stopspan_core::statistics::significance::{Sample, holm, welch_greater};

/// Separation from which two patches are resolved per pixel (75 % correct in a two-choice task is 0.95).
pub const SEPARATION: f64 = 1.0;
/// Share of clipped pixels above which a patch counts as clipped.
pub(crate) const CLIPPED: f64 = 0.01;
/// Share of pixels at the black floor from which a patch counts as crushed, that is black.
pub(crate) const CRUSHED: f64 = 0.5;
/// Significance level of the patch-mean test, for all pairs together.
const SIGNIFICANCE: f64 = 0.01;
/// Smallest visible difference of CIE L*.
const LIGHTNESS_STEP: f64 = 1.0;

/// Parameters of the criteria.
#[derive(Debug, Clone, Copy)]
pub struct Criteria<'a> {
    /// Step of the `code` criterion in 8-bit codes: 1, or less for a deeper file's own code.
    pub code_step: f64,
    /// Luminance of white for just-noticeable differences, cd/m^2.
    pub display_white: f64,
    /// Luminance taken as white.
    pub white: VisualWhite,
    /// Standard deviation of one pixel in each patch from 8 x 8 pixel means, in the order of the patches; `None` where no
    /// lossy coding hides noise.
    pub block_noise: Option<&'a [f64]>,
}

/// Every neighbouring pair of `patches` (lightest first). Empty with fewer than two patches.
pub fn pairs(patches: &[Patch], criteria: &Criteria) -> Vec<Pair> {
    let p: Vec<f64> = patches.windows(2).map(|w| welch(&w[0], &w[1])).collect();
    let white = patches.first().map_or(1.0, |p| p.linear);
    patches
        .windows(2)
        .zip(holm(&p))
        .enumerate()
        .map(|(index, (w, p_value))| {
            let noise = criteria.block_noise.and_then(|n| n.get(index..index + 2));
            let block_separation = noise.map(|n| {
                separation(
                    Signal::new(w[0].linear, n[0]),
                    Signal::new(w[1].linear, n[1]),
                )
            });
            Pair {
                block_separation,
                by_block: block_separation.map(|s| clear(&w[0], &w[1]) && s >= SEPARATION),
                ..pair(&w[0], &w[1], p_value, criteria, white)
            }
        })
        .collect()
}

/// One-sided p value of Welch's test for a greater first mean; 1 where the test is undefined.
fn welch(first: &Patch, second: &Patch) -> f64 {
    let sample = |p: &Patch| Sample {
        mean: p.linear,
        deviation: p.linear_deviation,
        effective_count: p.effective_samples.max(1.2),
    };
    welch_greater(&sample(first), &sample(second)).map_or(1.0, |w| w.p)
}

fn pair(light: &Patch, dark: &Patch, p_value: f64, criteria: &Criteria, white: f64) -> Pair {
    let separation = separation(
        Signal::new(light.linear, light.linear_deviation),
        Signal::new(dark.linear, dark.linear_deviation),
    );
    let code_difference = light.code.zip(dark.code).map(|(a, b)| a[1] - b[1]);
    let (a, b) = (
        display(light, criteria, white),
        display(dark, criteria, white),
    );
    let lightness_difference = lightness(a) - lightness(b);
    let jnd = |y: f64| jnd_index(y * criteria.display_white);
    let clear = clear(light, dark);
    let by_noise = clear && separation >= SEPARATION;
    let (reason, decided_by) = reason(light, dark, separation, by_noise);
    Pair {
        step: light.step,
        separation,
        block_separation: None,
        code_difference,
        lightness_difference,
        jnd_difference: jnd(a) - jnd(b),
        p_value,
        by_noise,
        by_block: None,
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

/// True if neither patch has more than 1 % of its pixels at the clip level.
fn clear(light: &Patch, dark: &Patch) -> bool {
    light.clipped_share.max(dark.clipped_share) <= CLIPPED
}

/// Linear radiance of a patch: mean, and standard deviation of one pixel.
#[derive(Clone, Copy)]
struct Signal {
    mean: f64,
    deviation: f64,
}

impl Signal {
    fn new(mean: f64, deviation: f64) -> Self {
        Signal { mean, deviation }
    }
}

/// `(m1 - m2) / sqrt((s1^2 + s2^2)/2)` from mean and deviation of both patches, limited to +-1e6 (no noise).
fn separation(light: Signal, dark: Signal) -> f64 {
    let pooled = ((light.deviation.powi(2) + dark.deviation.powi(2)) / 2.0).sqrt();
    ratio(light.mean - dark.mean, pooled).clamp(-LARGEST_RATIO, LARGEST_RATIO)
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

/// Luminance relative to the white of the criterion.
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
