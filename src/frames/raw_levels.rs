//! Black and clip levels of raw frames: as the file states them, checked against the pixels of the bracket.
//!
//! Two frames of exposure ratio k show the same light, so a pixel of level `a` in the darker and `b` in the brighter
//! one gives a black level of `(k a - b) / (k - 1)`. Pixels that must be far above saturation in the brighter frame
//! show the level of saturated samples.
use rayon::prelude::*;
use stopspan_core::finding::Finding;
use stopspan_core::model::Bracket;
use stopspan_core::model::Clip;
use stopspan_core::model::Raw;
use stopspan_core::model::{LinearScale, LinearScales, main_channel, raw_of};
use stopspan_core::raster::Pixels;

/// Approximate number of pixels examined in a pair of frames.
const SAMPLED: usize = 1 << 18;
/// Fewest pixels for an estimate.
const ENOUGH: usize = 100;
/// Ratio of the level predicted from the darker frame to the largest level observed, above which a pixel is
/// saturated.
const BEYOND: f64 = 1.3;
/// Largest relative range (middle 80 %) of saturated samples; with a larger one they are not saturated.
const TOGETHER: f64 = 0.1;
/// Least exposure ratio of frames that determine the black level.
const LEAST_RATIO: f64 = 1.4;
/// Relative error allowed for a stated exposure ratio (judgement; markings are within 2 %).
const RATIO_ERROR: f64 = 0.03;

/// Levels of one plane.
#[derive(Debug, Clone, Copy)]
struct Plane {
    black: f64,
    clip: f64,
    /// Level stated by the file, if the pixels contradict it.
    stated_black: Option<f64>,
    stated_white: Option<f64>,
}

/// Clip levels of raw frames, one a plane or channel. Floor levels are 0, since the black offset keeps noise above
/// it.
pub(super) fn clips(bracket: &Bracket, raw: &Raw) -> Vec<Clip> {
    let planes = planes(bracket, raw);
    let clip = |p: &Plane| Clip {
        clip_level: p.clip,
        floor_level: 0.0,
    };
    planes.iter().map(clip).collect()
}

/// Scales from level to white-balanced exposure for every plane or channel of raw frames, and stated levels that the
/// pixels contradict. `None` if the frames are not raw.
pub fn linear_scales(bracket: &Bracket) -> Option<LinearScales> {
    let raw = raw_of(bracket)?;
    let gains = raw.gains();
    let planes = planes(bracket, raw);
    let main = planes.get(main_channel(planes.len()))?;
    let span = main.clip - main.black;
    let scales = planes.iter().zip(gains).map(|(p, gain)| LinearScale {
        black: p.black,
        per_level: gain / span,
    });
    let mut findings = Vec::new();
    for (plane, p) in planes.iter().enumerate() {
        let code = |level: f64| level / raw.code;
        findings.extend(p.stated_black.map(|stated| Finding::BlackLevelWrong {
            plane,
            stated_codes: code(stated),
            used_codes: code(p.black),
        }));
        findings.extend(p.stated_white.map(|stated| Finding::WhiteLevelWrong {
            plane,
            stated_codes: code(stated),
            used_codes: code(p.clip),
        }));
    }
    Some(LinearScales {
        scales: scales.collect(),
        findings,
    })
}

fn planes(bracket: &Bracket, raw: &Raw) -> Vec<Plane> {
    let channels = raw.black.len();
    (0..channels)
        .into_par_iter()
        .map(|channel| plane(bracket, raw, channel))
        .collect()
}

fn plane(bracket: &Bracket, raw: &Raw, channel: usize) -> Plane {
    let (black, white) = (raw.black[channel], raw.white[channel]);
    let mut out = Plane {
        black,
        clip: white - 2.0 * raw.code,
        stated_black: None,
        stated_white: None,
    };
    if raw.settled {
        out.clip = white;
        return out;
    }
    let still = bracket.frames.iter().all(|f| f.transform.is_none());
    let pairs = (1..bracket.frames.len()).filter_map(|j| pair(bracket, j, channel));
    let pairs: Vec<Pair> = pairs.collect();
    if still && let Some(found) = black_of(&pairs, black, raw.code) {
        (out.black, out.stated_black) = (found, Some(black));
    }
    let saturated = pairs.iter().rev().find_map(|p| p.saturated(out.black));
    if let Some((top, deviation)) = saturated {
        // A difference of 1 % is attributed to rounding and imprecise tags.
        out.clip = top - (4.0 * deviation).max(2.0 * raw.code);
        let tolerance = (0.01 * (top - out.black)).max(2.0 * raw.code);
        out.stated_white = ((top - white).abs() > tolerance).then_some(white);
    }
    out
}

/// Levels of two frames at the same pixels of one plane.
struct Pair {
    /// Levels (darker frame, brighter frame).
    levels: Vec<(f64, f64)>,
    ratio: f64,
    largest: f64,
}

fn pair(bracket: &Bracket, brighter: usize, channel: usize) -> Option<Pair> {
    let (a, b) = (&bracket.frames[brighter - 1], &bracket.frames[brighter]);
    let ratio = bracket.relative_exposure(brighter) / bracket.relative_exposure(brighter - 1);
    let (a, b) = (&a.picture.pixels, &b.picture.pixels);
    if a.dim() != b.dim() || channel >= a.channels() {
        return None;
    }
    let (rows, columns, _) = a.dim();
    let step = (rows * columns).div_ceil(SAMPLED).max(1);
    let level = |p: &Pixels, r, c| f64::from(p.level(r, c, channel));
    let mut levels = Vec::with_capacity(rows.div_ceil(step) * columns);
    for row in (0..rows).step_by(step) {
        levels.extend((0..columns).map(|c| (level(a, row, c), level(b, row, c))));
    }
    let largest = levels.iter().map(|l| l.1).fold(0.0, f64::max);
    Some(Pair {
        levels,
        ratio,
        largest,
    })
}

impl Pair {
    /// Level of saturated samples of the brighter frame, and the standard deviation below it.
    fn saturated(&self, black: f64) -> Option<(f64, f64)> {
        let limit = BEYOND * (self.largest - black);
        let must = |&&(a, _): &&(f64, f64)| (a - black) * self.ratio > limit;
        let mut seen: Vec<f64> = self.levels.iter().filter(must).map(|l| l.1).collect();
        if seen.len() < ENOUGH || self.ratio < LEAST_RATIO {
            return None;
        }
        seen.sort_by(f64::total_cmp);
        let at = |share: f64| seen[(share * (seen.len() - 1) as f64) as usize];
        let middle = at(0.5);
        let together = at(0.9) - at(0.1) <= TOGETHER * (middle - black);
        // 0.1587: the quantile one standard deviation below the mean of a normal distribution.
        together.then(|| (middle, middle - at(0.1587)))
    }
}

/// Black level from the darkest tenth of the pixels, if it contradicts the level stated. Pixels are selected by `a /
/// k + b` of their neighbours, so that the selection is independent of their own noise.
fn black_of(pairs: &[Pair], stated: f64, code: f64) -> Option<f64> {
    let pair = pairs.iter().max_by(|a, b| a.ratio.total_cmp(&b.ratio))?;
    let k = pair.ratio;
    if k < LEAST_RATIO || pair.levels.len() < 10 * ENOUGH {
        return None;
    }
    let neighbours = pair.levels.as_chunks::<2>().0.iter();
    let mut chosen: Vec<(f64, (f64, f64))> = neighbours
        .flat_map(|&[p, q]| [(q.0 / k + q.1, p), (p.0 / k + p.1, q)])
        .collect();
    let tenth = chosen.len() / 10;
    chosen.select_nth_unstable_by(tenth, |x, y| x.0.total_cmp(&y.0));
    chosen.truncate(tenth);
    let chosen: Vec<(f64, f64)> = chosen.into_iter().map(|c| c.1).collect();
    // Samples clipped at zero have a biased mean.
    let cut = chosen.iter().filter(|l| l.0 <= 0.0 || l.1 <= 0.0).count();
    if cut * 100 > tenth {
        return None;
    }
    let values = chosen.iter().map(|(a, b)| (k * a - b) / (k - 1.0));
    let count = tenth as f64;
    let mean = values.clone().sum::<f64>() / count;
    let spread = values.map(|v| (v - mean).powi(2)).sum::<f64>() / (count - 1.0);
    let light = chosen.iter().map(|l| l.0).sum::<f64>() / count - mean;
    let tolerance =
        5.0 * (spread / count).sqrt() + RATIO_ERROR * k / (k - 1.0) * light.abs() + 0.5 * code;
    ((mean - stated).abs() > tolerance).then_some(mean)
}
