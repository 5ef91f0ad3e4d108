//! A wedge that was stated wrong: steps that run the other way, or more patches than there are steps.
use stopspan_core::finding::Finding;
use stopspan_core::results::Patch;

/// Least SNR of a patch that is looked at, one pixel.
const CLEAR: f64 = 10.0;
/// Largest share of clipped pixels.
const CLIPPED: f64 = 0.01;
/// Share of the usual difference of neighbours below which two patches show the same step, and above which they do not (judgement).
const SAME: f64 = 0.2;
const OTHER: f64 = 0.5;
/// Least number of pairs that show the same step.
const FEWEST: usize = 3;

/// The findings on the order and the number of the patches of a picture, lightest first.
///
/// Order: more than half of the pairs get lighter. Fewer can be uneven light. Number: a quarter of the pairs, three at least, hardly differ
/// although lighter and darker pairs do. Glare takes the differences of the darkest steps away, so that pairs count only if a later one
/// differs.
pub(crate) fn doubts(picture: &str, patches: &[Patch]) -> Vec<Finding> {
    let steps: Vec<f64> = patches
        .windows(2)
        .filter_map(|w| difference(&w[0], &w[1]))
        .collect();
    let Some(usual) = usual(&steps).filter(|&usual| usual > 0.0) else {
        return Vec::new();
    };
    let pairs = steps.len();
    let reversals = steps.iter().filter(|&&d| d < -OTHER * usual).count();
    let last = steps.iter().rposition(|&d| d > OTHER * usual).unwrap_or(0);
    let same = steps[..last]
        .iter()
        .filter(|d| d.abs() < SAME * usual)
        .count();
    let order = (2 * reversals > pairs).then(|| Finding::WedgeOrderDoubtful {
        picture: picture.to_owned(),
        reversals,
        pairs,
    });
    let number = (same >= FEWEST && 4 * same >= pairs).then(|| Finding::WedgeStepsRepeated {
        picture: picture.to_owned(),
        same,
        pairs,
    });
    order.into_iter().chain(number).collect()
}

/// Difference of density that the light of two patches shows; `None` where one is clipped or lost in noise.
fn difference(lighter: &Patch, darker: &Patch) -> Option<f64> {
    let clear = |p: &Patch| p.clipped_share <= CLIPPED && p.snr >= CLEAR && p.linear > 0.0;
    (clear(lighter) && clear(darker)).then(|| (lighter.linear / darker.linear).log10())
}

/// Median of the larger half of the differences.
fn usual(steps: &[f64]) -> Option<f64> {
    let mut sizes: Vec<f64> = steps.iter().map(|d| d.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    sizes.get(sizes.len() * 3 / 4).copied()
}
