//! A floor above code 0: codes that do not fall when the exposure does.
//!
//! In frames of one scene corresponding levels have the same share of pixels below them, whatever the response (Grossberg and
//! Nayar 2003). From one frame to the next darker one a level of light falls by a share of itself that changes little over the
//! levels, and grows towards black where a curve has a linear toe. Levels at the dark end that fall by much less are not
//! light: the offset of a scanner or of lifted blacks, or the mean of noise that is cut off at code 0.
use super::clipping::Counts;

/// Ranks at which two frames are compared.
const RANKS: usize = 500;
/// Least step between two frames that are compared, stops.
const LEAST_STEP: f64 = 0.3;
/// Levels at which the usual fall is measured, 8-bit codes.
const MIDDLE: std::ops::RangeInclusive<f64> = 32.0..=160.0;
/// Levels below this are not compared: rounding hides how they fall. 8-bit codes.
const LOWEST: f64 = 3.0;
/// Highest floor, 8-bit codes (the offset of lifted blacks and scans; judgement).
const HIGHEST: f64 = 40.0;
/// Lowest floor: the margin of two codes that every frame has above its floor covers less, 8-bit codes.
const LEAST: f64 = 4.0;
/// Share of the usual fall below which a level belongs to the floor (judgement).
const SHARE: f64 = 0.5;

/// Levels of equal rank in two frames, 8-bit codes.
#[derive(Clone, Copy)]
struct Level {
    brighter: f64,
    /// Fall to the darker frame, as a share of the level, per stop of exposure.
    fall: f64,
}

/// The floor of one channel, a fraction of full scale; `None` without one. `frames` are the histograms of the frames, and
/// `stops` their stated exposures, log2, increasing.
pub(super) fn find(frames: &[&Counts], stops: &[f64]) -> Option<f64> {
    let ranked: Vec<Vec<f64>> = frames.iter().map(|f| ranks(f)).collect();
    let pairs: Vec<Vec<Level>> = (1..ranked.len())
        .filter(|&j| stops[j] - stops[j - 1] >= LEAST_STEP)
        .map(|j| levels(&ranked[j - 1], &ranked[j], stops[j] - stops[j - 1]))
        .collect();
    let middle = |levels: &[Level], share: f64| -> Option<f64> {
        let middle = levels.iter().filter(|l| MIDDLE.contains(&l.brighter));
        quantile(middle.map(|l| l.fall).collect(), share)
    };
    // Of frames whose exposures are equal nothing falls: they are no evidence, and do not count for what is usual.
    let usual = middle(&pairs.concat(), 0.75)?;
    let floors = pairs
        .iter()
        .filter(|pair| middle(pair, 0.5).is_none_or(|fall| fall > SHARE * usual))
        .filter_map(|pair| floor(pair, usual));
    floors.reduce(f64::max).map(|codes| codes / 255.0)
}

/// A quantile; `None` of nothing.
fn quantile(mut values: Vec<f64>, share: f64) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let last = values.len().checked_sub(1)?;
    values.get((share * last as f64).round() as usize).copied()
}

/// The highest of the levels from the darkest up that do not fall. `None` if there is none, or if the lighter levels of the
/// pair do not fall either: then its exposures are equal.
fn floor(pair: &[Level], usual: f64) -> Option<f64> {
    let lasting = pair.iter().take_while(|l| l.fall < SHARE * usual).count();
    let (floor, above) = pair.split_at(lasting);
    let falls = above.iter().filter(|l| l.fall >= SHARE * usual).count();
    let top = floor.last()?.brighter;
    (2 * falls > above.len() && !above.is_empty() && (LEAST..=HIGHEST).contains(&top))
        .then_some(top)
}

/// Levels of equal rank of two frames, from the darkest up, where neither frame clips.
fn levels(darker: &[f64], brighter: &[f64], step: f64) -> Vec<Level> {
    let both = darker.iter().zip(brighter);
    both.filter(|&(_, &brighter)| (LOWEST..250.0).contains(&brighter))
        .map(|(&darker, &brighter)| Level {
            brighter,
            fall: (brighter - darker) / (brighter * step),
        })
        .collect()
}

/// Levels at equally spaced ranks, interpolated within a code, 8-bit codes.
fn ranks(counts: &Counts) -> Vec<f64> {
    let unit = 255.0 / (counts.codes.len().max(2) - 1) as f64;
    let total: f64 = counts.codes.iter().map(|c| f64::from(*c)).sum();
    let mut out = Vec::with_capacity(RANKS);
    let mut below = 0.0;
    for (code, &count) in counts.codes.iter().enumerate() {
        let count = f64::from(count);
        while out.len() + 1 < RANKS
            && (out.len() + 1) as f64 * total <= (below + count) * RANKS as f64
        {
            let within = ((out.len() + 1) as f64 * total / RANKS as f64 - below) / count.max(1.0);
            out.push((code as f64 - 0.5 + within).max(0.0) * unit);
        }
        below += count;
    }
    out
}
