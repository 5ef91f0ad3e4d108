//! What moved between the frames, and which frames to leave out there so that the map shows the reference frame's moment.
//!
//! In reading order: `view`: frames reduced to means of 2 x 2 pixels (4 x 4 in large ones) with their variances and what they can
//! testify, from `blocks` wherever they lie; `compare` two frames over 3 x 3 blocks, from `squares` block by block; `calibrate` how far the noise model is off on
//! these very pixels; `regions` from scores to areas; `stand_in` which frame shows them where the reference is clipped.
use serde::Serialize;
use stopspan_core::model::Motion;
mod blocks;
mod calibrate;
mod compare;
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

/// Sides of the blocks that motion is looked for in, pixels: in small frames and in large ones.
const SIDES: [usize; 2] = [2, 4];
/// Pixels from which a frame is large.
const LARGE: usize = 8_000_000;
/// Frames that a mask has bits for; of more frames the rest is not looked at.
const MOST_FRAMES: usize = 32;

/// How motion is told from noise.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct MotionSettings {
    /// Side of the blocks that are compared, pixels: 2 or 4; `None` for 2, and 4 in frames of 8 megapixels and more, where
    /// the same thing covers more pixels.
    pub side: Option<usize>,
    /// Share of 3 x 3-block windows of a still frame that may start an area by chance, all channels together (0..1).
    pub seed: f64,
    /// Share that may widen one.
    pub grow: f64,
    /// Pixels by which an area is widened all round, in whole blocks.
    pub guard: usize,
    /// Blocks that an area must have to be believed.
    pub smallest: usize,
    /// Sum over a window that an area must reach somewhere to be believed: compression leaves weak areas on still scenes.
    pub peak: f64,
    /// Sum beyond which an area is believed whatever its size.
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

/// Looks for motion as [`find`] does, and adds what it found to the findings of the bracket.
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

/// Looks for motion in a registered bracket. `None` where nothing moved, or where the frames are too small to tell.
///
/// A block of frame j is held against the reference frame's: `z^2 = (x_j - x_r)^2 / (v_j + v_r + (u x)^2 + (g d)^2)`
/// with the variances of the noise model, the uncertainty u of response and exposure ratio, the local gradient g and
/// what registration leaves, d. The sum over 3 x 3 blocks is chi-square with nine degrees of freedom on a still scene.
/// A clipped block says no more than "at least", a black one "at most".
///
/// # Errors
/// [`Error::Request`] for rates outside 0..1 or blocks of another side than 2 or 4.
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
        (bracket, side),
        &views,
        (compared, &limits),
        settings,
    ))
}

/// Sums over a window at which areas start and end.
pub(super) struct Limits {
    pub seed: f64,
    pub grow: f64,
}

/// Side of the blocks to compare.
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

/// The frames in blocks; `None` where there is too little, or are too many, to compare.
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
    let view = |j| View::new((bracket, j), response, noise, side);
    Some((0..count).into_par_iter().map(view).collect())
}

/// Scores of every pair that decides something.
fn compare_all(bracket: &Bracket, views: &[View]) -> Vec<Scores> {
    let pairs = Pair::of_bracket(views.len(), bracket.reference);
    let yardsticks = calibrate::measure(views, bracket.reference, &pairs);
    compare::scores(views, bracket.reference, &pairs, &yardsticks)
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

    /// Upper points of chi-square with nine degrees of freedom: 21.666 at 1 %, 27.877 at 0.1 % (standard tables).
    #[test]
    fn limits_are_those_of_the_tables() {
        assert!((limit(0.01, 1).unwrap() - 21.666).abs() < 1e-3);
        assert!((limit(0.001, 1).unwrap() - 27.877).abs() < 1e-3);
        assert!((limit(0.003, 3).unwrap() - 27.877).abs() < 1e-3);
        assert!(limit(0.0, 1).is_err() && limit(f64::NAN, 1).is_err());
    }
}
