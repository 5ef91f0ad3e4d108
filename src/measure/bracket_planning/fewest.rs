//! The fewest equally spaced frames that hold a wanted share of a scene, by trying all within a camera's steps.
use super::census::{Census, PER_STOP};
use super::cover::Sight;

/// One third of a stop, in bins: the step in which cameras set exposures.
pub(super) const THIRD: i32 = PER_STOP / 3;
/// Most frames tried.
const MOST: i32 = 9;
/// Widest spacing, stops: beyond it neighbouring frames share too little for the response to be recovered (common
/// practice, no source).
const WIDEST: i32 = 3;
/// Stops by which the shortest exposure may be shorter than clipping asks for.
const SHORTER: i32 = 4;
/// Brackets whose shares differ by less are alike; of them the narrower spacing is taken.
const ALIKE: f64 = 0.001;

/// A bracket on the grid of bins.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Plan {
    /// Exposure of each frame against the reference, bins, rising.
    pub shifts: Vec<i32>,
    /// Share it holds.
    pub share: f64,
    /// Most that one frame fewer holds.
    pub fewer: Option<f64>,
}

/// The plan of fewest frames that holds at least `wanted` of the pixels of known radiance at `snr`. Of brackets of as many
/// frames the one that holds most, and of those alike the one of least spacing. `None` where nine frames do not suffice.
pub(super) fn fewest(census: &Census, sight: &Sight, snr: f64, wanted: f64) -> Option<Plan> {
    let shortest = shortest(census, wanted)?;
    let mut fewer = None;
    for count in 1..=MOST {
        let (shifts, share) = best_of(census, sight, snr, (count, shortest))?;
        if share >= wanted {
            return Some(Plan {
                shifts,
                share,
                fewer,
            });
        }
        fewer = Some(share);
    }
    None
}

/// The longest exposure, in thirds of a stop, that leaves the wanted share unclipped.
fn shortest(census: &Census, wanted: f64) -> Option<i32> {
    let known = census.known();
    let mut by_brightness: Vec<(i32, u32)> =
        census.cells.iter().map(|c| (c.bright, c.count)).collect();
    by_brightness.sort_unstable();
    let mut sum = 0.0;
    let (last, _) = by_brightness.into_iter().find(|(_, count)| {
        sum += f64::from(*count);
        sum >= wanted * known
    })?;
    // A cell is open where bright + shift < 0.
    Some((-last - 1).div_euclid(THIRD) * THIRD)
}

fn best_of(
    census: &Census,
    sight: &Sight,
    snr: f64,
    (count, shortest): (i32, i32),
) -> Option<(Vec<i32>, f64)> {
    let widest = if count == 1 { 1 } else { 3 * WIDEST };
    let mut best: Option<(Vec<i32>, f64)> = None;
    for spacing in 1..=widest {
        for start in 0..=3 * SHORTER {
            let first = shortest - start * THIRD;
            let shifts: Vec<i32> = (0..count).map(|i| first + i * spacing * THIRD).collect();
            let share = sight.share(census, &shifts, snr);
            if best.as_ref().is_none_or(|b| share > b.1 + ALIKE) {
                best = Some((shifts, share));
            }
        }
    }
    best
}
