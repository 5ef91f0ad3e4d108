//! The smallest bracket of equally spaced frames that records a wanted share of a scene, by exhaustive search in thirds of
//! a stop.
use super::census::{Census, PER_STOP};
use super::coverage::SnrTable;

/// One third of a stop, in bins: the step in which cameras set exposures.
pub(super) const THIRD: i32 = PER_STOP / 3;
/// Largest number of frames tried.
const MOST: i32 = 9;
/// Widest spacing, stops. With wider spacing neighbouring frames share too few levels for recovering the response (common
/// practice, no source).
const WIDEST: i32 = 3;
/// Largest reduction of the shortest exposure below the one that avoids clipping, stops.
const SHORTER: i32 = 4;
/// Difference of shares below which brackets count as equal; the one of narrower spacing is then taken.
const ALIKE: f64 = 0.001;

/// A bracket whose exposures are whole bins.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Plan {
    /// Exposure of each frame relative to the reference, bins, rising.
    pub shifts: Vec<i32>,
    /// Share it records, 0..=1.
    pub share: f64,
    /// Largest share that one frame fewer records.
    pub fewer: Option<f64>,
}

/// The bracket with the fewest frames that records at least `wanted` of the pixels of known radiance at `snr`. Among
/// brackets of equally many frames it is the one with the largest share; among equal shares the one of narrowest spacing.
/// `None` where nine frames do not suffice.
pub(super) fn smallest_bracket(
    census: &Census,
    snr_table: &SnrTable,
    snr: f64,
    wanted: f64,
) -> Option<Plan> {
    let shortest = shortest(census, wanted)?;
    let mut fewer = None;
    for count in 1..=MOST {
        let (shifts, share) = best_of(census, snr_table, snr, count, shortest)?;
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

/// The longest exposure, bins and a whole number of thirds of a stop, that leaves the wanted share unclipped.
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
    // A cell is unclipped where bright + shift < 0.
    Some((-last - 1).div_euclid(THIRD) * THIRD)
}

/// The exposures of `count` frames that record the largest share, and that share; `shortest` as from [`shortest`].
fn best_of(
    census: &Census,
    snr_table: &SnrTable,
    snr: f64,
    count: i32,
    shortest: i32,
) -> Option<(Vec<i32>, f64)> {
    let widest = if count == 1 { 1 } else { 3 * WIDEST };
    let mut best: Option<(Vec<i32>, f64)> = None;
    for spacing in 1..=widest {
        for start in 0..=3 * SHORTER {
            let first = shortest - start * THIRD;
            let shifts: Vec<i32> = (0..count).map(|i| first + i * spacing * THIRD).collect();
            let share = snr_table.share(census, &shifts, snr);
            if best.as_ref().is_none_or(|b| share > b.1 + ALIKE) {
                best = Some((shifts, share));
            }
        }
    }
    best
}
