//! Finds what moved between the frames, and which frames to exclude there so that the map shows the moment of the reference.
//!
//! In reading order: `blocks` sums the samples of a row of blocks through a frame's transform; `view` makes radiance,
//! variance and bounds of them, `colour` their colours; `squares` are squared differences of two frames by block, with ratios and noise
//! corrected by `calibrate` and what one curve a channel leaves by `misfit`; `compare` sums them over windows of 3 x 3 blocks; `regions` makes areas of high sums; `stand_in` chooses the
//! frame to show in areas where the reference is clipped.
use serde::Serialize;
use stopspan_core::model::Motion;
mod blocks;
mod calibrate;
mod colour;
mod compare;
mod misfit;
mod regions;
mod squares;
mod stand_in;
mod view;

use compare::{Pair, Scores};
use rayon::prelude::*;
use stopspan_core::finding::Finding;
use stopspan_core::model::Bracket;
use stopspan_core::model::Noise;
use stopspan_core::model::Response;
use stopspan_core::statistics::significance::chi_square_upper;
use stopspan_core::{Error, Setting};
use view::View;

/// Sides of the blocks compared in small and in large frames, pixels.
const SIDES: [usize; 2] = [2, 4];
/// Pixels from which a frame is large.
const LARGE: usize = 8_000_000;
/// Number of frames that a mask has bits for; motion is not searched in brackets of more.
const MOST_FRAMES: usize = 32;

/// Settings of the search for motion.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct MotionSettings {
    /// Side of the blocks compared, pixels: 2 or 4. `None` chooses 2, or 4 in frames of 8 megapixels or more, where the same
    /// object covers more pixels.
    pub side: Option<usize>,
    /// False-alarm rate, 0..1: share of 3 x 3-block windows of a still scene that start an area, all channels together.
    pub seed: f64,
    /// Share of such windows that extend an area, 0..1.
    pub grow: f64,
    /// Margin added around an area, pixels; rounded up to whole blocks.
    pub guard: usize,
    /// Least number of blocks in an area.
    pub smallest: usize,
    /// Sum over a window, in squared standard deviations, that an area must reach somewhere: compression leaves weak areas
    /// in still scenes.
    pub peak: f64,
    /// Sum over a window from which an area of any size is accepted.
    pub certain: f64,
}

impl Default for MotionSettings {
    fn default() -> Self {
        MotionSettings {
            side: None,
            seed: 1e-3,
            grow: 1e-2,
            guard: 4,
            smallest: 10,
            peak: 60.0,
            certain: 100.0,
        }
    }
}

/// Searches for motion as [`find`] does, and adds the shares of the picture affected to the findings of the bracket.
///
/// # Errors
/// As [`find`].
pub fn look(
    bracket: &mut Bracket,
    response: &Response,
    noise: &Noise,
    settings: &MotionSettings,
) -> Result<Option<Motion>, Error> {
    let found = find(bracket, response, noise, settings)?;
    if let Some(motion) = &found {
        let share = motion.share;
        bracket.findings.push(Finding::Moved { share });
        let share = motion.by_frame[bracket.reference];
        if share > 0.0 {
            bracket.findings.push(Finding::OtherMoment { share });
        }
    }
    Ok(found)
}

/// Searches a registered bracket for motion. `None` if nothing moved or the frames are too small to tell.
///
/// A block of frame j is compared with that of the reference frame r: `z^2 = (x_j - x_r)^2 / (v_j + v_r + (u x)^2 + (g d)^2)`
/// with the variances v of the noise model, the relative uncertainty u of response and exposure ratio, the local gradient
/// g and a position error d of half a pixel. For a still scene the sum over 3 x 3 blocks is chi-square with nine degrees of freedom.
/// A clipped block is a lower bound, a black one an upper bound.
///
/// # Errors
/// [`Error::Request`] for false-alarm rates outside 0..1 or a block side other than 2 or 4.
pub fn find(
    bracket: &Bracket,
    response: &Response,
    noise: &Noise,
    settings: &MotionSettings,
) -> Result<Option<Motion>, Error> {
    let channels = response.curves.len();
    let limits = Limits {
        seed: limit(settings.seed, channels)?,
        grow: limit(settings.grow, channels)?,
    };
    let side = side(bracket, settings)?;
    let Some(views) = views(bracket, response, noise, side) else {
        return Ok(None);
    };
    let compared = compare_all(bracket, &views);
    Ok(regions::gather(
        bracket, &views, &compared, &limits, settings,
    ))
}

/// Sums over a window from which an area starts (`seed`) and is extended (`grow`).
pub(super) struct Limits {
    pub seed: f64,
    pub grow: f64,
}

/// Side of the blocks to compare, pixels.
fn side(bracket: &Bracket, settings: &MotionSettings) -> Result<usize, Error> {
    let (rows, columns, _) = bracket.reference_frame().picture.pixels.dim();
    match settings.side {
        None => Ok(SIDES[usize::from(rows * columns >= LARGE)]),
        Some(side) if SIDES.contains(&side) => Ok(side),
        Some(_) => Err(Error::request(
            Setting::Motion,
            "blocks are 2 or 4 pixels wide",
        )),
    }
}

/// The frames in blocks; `None` if they are too small, too few or too many to compare.
fn views<'a>(
    bracket: &'a Bracket,
    response: &Response,
    noise: &Noise,
    side: usize,
) -> Option<Vec<View<'a>>> {
    let (rows, columns, _) = bracket.reference_frame().picture.pixels.dim();
    let count = bracket.frames.len();
    if rows < 8 * side || columns < 8 * side || !(2..=MOST_FRAMES).contains(&count) {
        return None;
    }
    let view = |j| View::new(bracket, j, response, noise, side);
    Some((0..count).into_par_iter().map(view).collect())
}

/// Scores of all pairs of [`Pair::of_bracket`].
fn compare_all(bracket: &Bracket, views: &[View]) -> Vec<Scores> {
    let pairs = Pair::of_bracket(views.len(), bracket.reference);
    let calibrations = calibrate::measure(views, bracket.reference, &pairs);
    compare::scores(views, bracket.reference, &pairs, &calibrations)
}

/// The sum of nine squares that a share `rate` of still windows exceeds in any of the channels: chi-square with nine
/// degrees of freedom at `rate / channels`.
fn limit(rate: f64, channels: usize) -> Result<f64, Error> {
    let wanted = rate / channels.max(1) as f64;
    if !(wanted > 0.0 && wanted < 1.0) {
        return Err(Error::request(
            Setting::Motion,
            "false-alarm rates lie in 0..1",
        ));
    }
    let (mut low, mut high) = (0.0, 400.0);
    for _ in 0..60 {
        let middle = (low + high) / 2.0;
        if chi_square_upper(middle, 9.0).is_none_or(|p| p > wanted) {
            low = middle;
        } else {
            high = middle;
        }
    }
    Ok(high)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trial::{Noisy, bracket, frame, known};

    /// Upright bars of a thirtieth of the light, three pixels wide and nine apart, in part of the picture. The last frame is displaced
    /// where registration did not find it: by half a pixel that is no motion, by two pixels most of what differs is found.
    #[test]
    fn half_a_pixel_is_no_motion() {
        let bars = |y: f64, x: f64, by: f64| {
            let window = (30.0..90.0).contains(&y) && (40.0..140.0).contains(&x);
            let bar = window && (x - by).rem_euclid(9.0) < 3.0;
            if bar { 0.01 } else { 0.3 }
        };
        for by in [0.5, 2.0] {
            let mut random = Noisy(3);
            let at = [(-2.0, 0.0), (-1.0, 0.0), (0.0, by)];
            let frames = at.map(|(stops, by)| {
                frame((stops, [0.0; 2]), 0.0, &mut random, |y, x| bars(y, x, by))
            });
            let (response, noise) = known();
            let settings = MotionSettings::default();
            let motion = find(&bracket(frames), &response, &noise, &settings).unwrap();
            let share = motion.map_or(0.0, |m| m.share * (120.0 * 180.0) / (60.0 * 100.0));
            assert!(
                if by < 1.0 { share == 0.0 } else { share > 0.9 },
                "{by}: {share}"
            );
        }
    }

    /// Upper points of chi-square with nine degrees of freedom: 21.666 at 1 %, 27.877 at 0.1 % (standard tables).
    #[test]
    fn limits_are_those_of_the_tables() {
        assert!((limit(0.01, 1).unwrap() - 21.666).abs() < 1e-3);
        assert!((limit(0.001, 1).unwrap() - 27.877).abs() < 1e-3);
        assert!((limit(0.003, 3).unwrap() - 27.877).abs() < 1e-3);
        assert!(limit(0.0, 1).is_err() && limit(f64::NAN, 1).is_err());
    }
}
