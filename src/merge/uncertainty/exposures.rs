//! How far the exposures of the frames agree.
//!
//! The standard uncertainty of a stated exposure is what a frame may be off by before anyone has looked. Pixels tell how far frames
//! are off against each other, all but one thing: response and exposures stretched alike fit the same pixels (Grossberg and Nayar
//! 2003), so that the span keeps the uncertainty it was stated with. An error of the span grows with the distance from the middle of the
//! map; an error of one frame's exposure moves what that frame shows.
use super::differences::{AreaDifference, PairDifferences};
use super::{FEWEST_AREAS, WELL_SHOWN};
use std::f64::consts::LN_2;
use stopspan_core::model::Bracket;
use stopspan_core::statistics::robust::median;

/// Median difference of a pair of frames over the areas that both show well, ln exposure; `None` with too few. The curve is least
/// certain in the dark, where what frames differ by is not their exposures' error. `levels` are those of both frames at a coarse cell.
pub(super) fn offset(areas: &[AreaDifference], levels: impl Fn(usize) -> [f64; 2]) -> Option<f64> {
    let well_shown = |a: &&AreaDifference| levels(a.cell).iter().all(|level| *level > WELL_SHOWN);
    let means: Vec<f64> = areas.iter().filter(well_shown).map(|a| a.mean).collect();
    median(&means).filter(|_| means.len() >= FEWEST_AREAS)
}

/// Standard uncertainty of every frame's exposure in one channel beside those of the others, stops: the square of a pair's
/// offset is the sum of two frames' variances. `None` for frames that no pair shows well.
pub(super) fn beside_others(
    frames: usize,
    pairs: &[[usize; 2]],
    differences: &[PairDifferences],
    level: impl Fn(usize, usize) -> f64,
) -> Vec<Option<f64>> {
    let seen = |(pair, of_pair): (&[usize; 2], &PairDifferences)| {
        let found = offset(&of_pair.areas, |cell| pair.map(|j| level(j, cell)))?;
        Some((*pair, 0.5 * (found / LN_2).powi(2)))
    };
    let seen: Vec<([usize; 2], f64)> = pairs.iter().zip(differences).filter_map(seen).collect();
    let of_frame = |j: usize| {
        let own = seen.iter().filter(|(pair, _)| pair.contains(&j));
        let squares: Vec<f64> = own.map(|(_, square)| *square).collect();
        let mean = squares.iter().sum::<f64>() / squares.len() as f64;
        (!squares.is_empty()).then(|| mean.sqrt())
    };
    (0..frames).map(of_frame).collect()
}

/// Relative standard uncertainty of the span from the shortest to the longest exposure: that of the exposures in use, or of
/// the stated ones where these are known better. 0 if all exposures are alike.
pub(super) fn span(bracket: &Bracket) -> f64 {
    let exposure = |j: usize| bracket.frames[j].exposure;
    let by_use = |a: &usize, b: &usize| {
        let used = |j: usize| exposure(j).used.value;
        used(*a).total_cmp(&used(*b))
    };
    let frames = 0..bracket.frames.len();
    let (Some(first), Some(last)) = (frames.clone().min_by(by_use), frames.max_by(by_use)) else {
        return 0.0;
    };
    let ends = [first, last].map(exposure);
    let both = |of: fn(&stopspan_core::model::Exposure) -> f64| of(&ends[0]).hypot(of(&ends[1]));
    let used = both(|e| e.used.standard_uncertainty);
    let stated = both(|e| e.stated.standard_uncertainty);
    let stops = ends[1].used.value - ends[0].used.value;
    if stops > 0.0 {
        used.min(stated) / stops
    } else {
        0.0
    }
}
