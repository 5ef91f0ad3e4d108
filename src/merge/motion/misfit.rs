//! Response errors that noise does not explain: differences of two frames that 3 x 3 blocks have in common, relative to the
//! radiance and, where a camera mixes channels, to the distance from grey.
use super::calibrate::{ENOUGH, LEVELS, Sample, level};

/// Factor on the variance of an error that all nine blocks of a window share: their sum of squares is then nine times a
/// chi-square with one degree of freedom (10.83 at 0.1 %), and is held against the limit of nine independent ones (27.88).
const SHARED: f32 = 9.0 * 10.83 / 27.88 * TAILS * TAILS;
/// Factor on the deviation of these errors, which are no normal distribution: strong colours have several times the error of most
/// (three to ten times between brackets of one camera). Chosen so that empty scenes from a tripod show next to no motion.
const TAILS: f32 = 2.0;
/// Median and 75 % point of the size of a normal error, standard deviations. What moves touches many more windows than it
/// covers, so that the tail beyond says little of response errors.
const MEDIAN: f32 = 0.674_5;
const THREE_QUARTERS: f32 = 1.150_3;
/// Largest standard deviation relative to the radiance; where more is off at a level, something moved.
const MOST: f32 = 0.05;
/// Standard errors of a variance by which it must exceed the noise to count. Windows overlap, so that a third of them is
/// independent.
const SIGNIFICANT: f32 = 3.0;
/// Distance from grey, over the radiance of the channel and its own distance together, from which a block is of a strong colour.
const STRONG: f32 = 0.35;
/// Bounds on the share of the distance from grey that channels mixed leave as error: 0.02 is assumed where little colour is seen.
const MIXED: (f32, f32) = (0.02, 0.1);

/// Response errors of one channel of a pair of frames.
#[derive(Debug, Clone)]
pub(super) struct Misfit {
    /// By level: variance relative to the radiance, times [`SHARED`].
    relative: [f32; LEVELS],
    /// Variance relative to the distance from grey, times [`SHARED`].
    mixed: f32,
}

impl Misfit {
    /// No error at all.
    pub const NONE: Misfit = Misfit {
        relative: [0.0; LEVELS],
        mixed: 0.0,
    };

    /// Variance to be added to that of each block of radiance `x` and distance `chroma` from grey.
    #[inline(always)]
    pub fn variance(&self, level: usize, x: f32, chroma: f32) -> f32 {
        self.relative[level] * x * x + self.mixed * chroma * chroma
    }
}

/// Measures the errors on flat samples by level, with the expected ratio and the variance by noise of each.
pub(super) fn measure(
    by_level: &[Vec<Sample>],
    ratio: &impl Fn(&Sample) -> f32,
    noise: &impl Fn(&Sample) -> f32,
) -> Misfit {
    let window = |s: &Sample| {
        let error = (s.window[0] - ratio(s) * s.window[1]).abs();
        (error.is_finite() && s.base > 0.0).then_some(error)
    };
    let relative = |s: &Sample| {
        let error = window(s)? / s.base;
        Some([error, noise(s) / (9.0 * s.base * s.base)])
    };
    let all = excess(by_level.iter().flatten().filter_map(relative)).unwrap_or(0.0);
    let mut found = Misfit::NONE;
    for (out, bin) in found.relative.iter_mut().zip(by_level) {
        let variance = excess(bin.iter().filter_map(relative)).unwrap_or(all);
        *out = SHARED * variance.min(MOST * MOST);
    }
    let strong = |s: &Sample| {
        if s.chroma <= STRONG * (s.chroma + s.base) {
            return None;
        }
        let known = noise(s) / 9.0 + found.relative[level(s.base)] / SHARED * s.base * s.base;
        Some([window(s)? / s.chroma, known / (s.chroma * s.chroma)])
    };
    let mixed = excess(by_level.iter().flatten().filter_map(strong)).unwrap_or(0.0);
    found.mixed = SHARED * mixed.clamp(MIXED.0 * MIXED.0, MIXED.1 * MIXED.1);
    found
}

/// Variance of errors beyond their noise, from pairs of an error's size and the variance by which noise explains it; `None` of
/// few.
fn excess(samples: impl Iterator<Item = [f32; 2]>) -> Option<f32> {
    let (mut errors, mut noise): (Vec<f32>, Vec<f32>) = samples.map(|[e, v]| (e, v)).unzip();
    if errors.len() < ENOUGH {
        return None;
    }
    let count = errors.len();
    let at =
        |values: &mut [f32], place: usize| *values.select_nth_unstable_by(place, f32::total_cmp).1;
    let middle = at(&mut errors, count / 2) / MEDIAN;
    let tail = at(&mut errors, count * 3 / 4) / THREE_QUARTERS;
    let known = at(&mut noise, count / 2);
    let chance = SIGNIFICANT * (2.0 / (count as f32 / 3.0)).sqrt();
    Some((middle.max(tail).powi(2) - known * (1.0 + chance)).max(0.0))
}
