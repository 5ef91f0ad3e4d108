//! Whether a frame that was found next to where it lies had better stay there.
//!
//! Tiles err by a few tenths of a pixel together where frames differ by more than a curve of levels: glare, film that was not
//! flat, noise reduction that changes with exposure. What tiles agree on is then no displacement of the frame, and to interpolate
//! the frame for it loses detail for nothing. The identity is therefore judged by what a motion is for: how much of the difference
//! of the frames it takes away.
use super::model::{Fit, USED_WEIGHT};
use super::pair::agrees;
use super::tile::Match;
use rayon::prelude::*;
use stopspan_core::model::MotionModel;
use stopspan_core::raster::Transform;
use stopspan_core::statistics::robust::median;

/// Largest displacement at which the identity is judged, median over the tiles, pixels (judgement: scanned frames whose film was not flat err
/// by 0.6 to 0.8).
const NEAR: f64 = 0.8;
/// Share, 0..=1, of the residual variance at the identity that a motion must leave in the median tile for the frame to stay
/// (judgement: an interpolation by half a pixel takes more than that from noise alone).
const LEFT_OVER: f64 = 0.6;

/// The identity in the place of `fit`, if the tiles that the fit used lie within [`NEAR`] of their places, and the fit leaves more than
/// [`LEFT_OVER`] of the residual variance of the median tile. `residuals` gives the residual variances of the tile with this
/// corner (row, column) at the identity and under the fit. The uncertainty includes the displacement that was not taken out.
pub(super) fn instead_of(
    fit: &Fit,
    matches: &[Match],
    residuals: impl Fn((usize, usize)) -> Option<[f64; 2]> + Sync,
) -> Option<Fit> {
    if fit.model == MotionModel::Identity {
        return None;
    }
    let used: Vec<&Match> = matches
        .iter()
        .zip(&fit.weights)
        .filter_map(|(m, w)| (*w > USED_WEIGHT).then_some(m))
        .collect();
    let moved: Vec<f64> = used
        .iter()
        .filter_map(|m| Some((fit.map.apply(m.at)?, m.at)))
        .map(|(p, at)| (p.x - at.x).hypot(p.y - at.y))
        .collect();
    let far = median(&moved)?;
    if far > NEAR {
        return None;
    }
    let left: Vec<f64> = used
        .par_iter()
        .filter_map(|m| residuals(m.corner))
        .map(|[still, moved]| moved / still.max(1e-15))
        .collect();
    (median(&left)? > LEFT_OVER).then(|| still(matches, fit.uncertainty.hypot(far)))
}

/// The identity, which the tiles that agree with it are used for. `uncertainty` in pixels.
pub(super) fn still(matches: &[Match], uncertainty: f64) -> Fit {
    let here = Transform::IDENTITY;
    let used = |m: &Match| f64::from(u8::from(agrees(&here, m)));
    Fit {
        model: MotionModel::Identity,
        map: here,
        weights: matches.iter().map(used).collect(),
        uncertainty,
    }
}
