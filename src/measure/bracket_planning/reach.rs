//! What a bracket lacks at either end of the scene's light, and the frames that would add it.
use super::census::{Census, PER_STOP, centre};
use super::coverage::{SnrTable, merged};
use super::scene::{TakenBracket, WANTED_SNR};
use super::smallest_bracket::THIRD;
use stopspan_core::results::{AdvisedFrame, BracketReach};

/// Stops below the shortest frame of a frame added for highlights: common practice, no source. How far the clipped light goes on is
/// not known.
const HIGHLIGHT_STEP: f64 = 2.0;
/// Largest step between two frames, stops: farther apart they share too few levels (common practice, no source).
const WIDEST: f64 = 3.0;
/// Largest exposure of an added frame above the longest, stops.
const MOST: i32 = 12;

/// What the bracket lacks. `kept` is the share of all pixels that the merge records at SNR 10. `None` without a pixel of known radiance.
pub(super) fn reach(
    census: &Census,
    snr_table: &SnrTable,
    taken: &TakenBracket,
    kept: f64,
) -> Option<BracketReach> {
    let all = census.pixels.max(1) as f64;
    let highlight_share = census.clipped as f64 / all;
    let shadow_share = (1.0 - kept - highlight_share).max(0.0);
    let (darkest, lost) = quantile(census)?;
    let exposures = || taken.sources.iter().map(|s| s.relative_exposure.log2());
    let mut add = Vec::new();
    let frame = |stops: f64| AdvisedFrame {
        stops,
        time: taken.time.map(|t| t * stops.exp2()),
    };
    if highlight_share > BracketReach::TAIL {
        let shortest = exposures().fold(f64::INFINITY, f64::min);
        add.push(frame(thirds(shortest - HIGHLIGHT_STEP)));
    }
    let mut shadow_stops = 0.0;
    if shadow_share > BracketReach::TAIL {
        shadow_stops = missing(taken, darkest);
        let longest = exposures().fold(f64::NEG_INFINITY, f64::max);
        let own = merged(taken.sources, taken.noise, centre(darkest).exp2());
        let first = (longest * f64::from(PER_STOP)).round() as i32 / THIRD + 1;
        let enough = |k: &i32| own + snr_table.at(darkest + k * THIRD) >= WANTED_SNR.powi(2);
        let found = (first..first + 3 * MOST).find(enough);
        let farthest = found.map(|k| f64::from(k) / 3.0);
        add.extend(
            farthest
                .into_iter()
                .flat_map(|end| steps(longest, end))
                .map(frame),
        );
    }
    Some(BracketReach {
        shadow_share,
        shadow_stops,
        shadow_is_lower_bound: lost && shadow_stops > 0.0,
        highlight_share,
        add,
    })
}

/// Bin of radiance below which the tail of all pixels lies, and whether it is lost in the noise: the darkest known bin is given then.
fn quantile(census: &Census) -> Option<(i32, bool)> {
    let (low, counts) = census.by_radiance()?;
    let wanted = BracketReach::TAIL * census.pixels as f64;
    let mut sum = census.lost as f64;
    if sum > wanted {
        return Some((low, true));
    }
    let place = counts.iter().position(|n| {
        sum += n;
        sum > wanted
    })?;
    Some((low + place as i32, false))
}

/// Stops from a bin of radiance up to the one where the merge reaches the wanted SNR.
fn missing(taken: &TakenBracket, darkest: i32) -> f64 {
    let reached =
        |bin: &i32| merged(taken.sources, taken.noise, centre(*bin).exp2()) >= WANTED_SNR.powi(2);
    let found = (darkest..darkest + 40 * PER_STOP).find(reached);
    found.map_or(0.0, |bin| f64::from(bin - darkest) / f64::from(PER_STOP))
}

/// Exposures from the longest frame to the one that is wanted, at most [`WIDEST`] stops apart, without the first.
fn steps(longest: f64, wanted: f64) -> Vec<f64> {
    let count = ((wanted - longest) / WIDEST - 1e-6).ceil().max(1.0);
    let step = |i: usize| match i as f64 == count {
        true => wanted,
        false => thirds(longest + (wanted - longest) * i as f64 / count),
    };
    (1..=count as usize).map(step).collect()
}

/// Rounds to thirds of a stop, the step in which cameras set exposures.
fn thirds(stops: f64) -> f64 {
    (3.0 * stops).round() / 3.0
}
