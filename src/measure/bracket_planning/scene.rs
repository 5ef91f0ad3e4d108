//! A scene without a wedge: its range, the shares the frames record, the best frame, the smallest sufficient bracket.
use super::best_frame::best_of_scene;
use super::census::{Census, PER_STOP};
use super::coverage::{SnrTable, clipped, held};
use super::reach::reach;
use super::smallest_bracket::smallest_bracket;
use crate::subject::Source;
use stopspan_core::finding::Finding;
use stopspan_core::model::NoiseModel;
use stopspan_core::model::RadianceMap;
use stopspan_core::results::{Advice, AdvisedFrame, Histogram, Scene};

/// SNR of one pixel for which brackets are advised (the first acceptable one of ISO 12232).
pub(super) const WANTED_SNR: f64 = 10.0;
/// Shares of the pixels of known radiance for which brackets are advised.
const WANTED_SHARES: [f64; 2] = [0.99, 0.999];
/// Share of the pixels left out at either end of the scene's range.
const TAIL: f64 = 0.005;
/// Histogram bin width: half a stop, in bins of the census.
const BIN: i32 = PER_STOP / 2;

/// The bracket as taken.
#[derive(Debug, Clone, Copy)]
pub struct TakenBracket<'a> {
    /// File names of the frames.
    pub names: &'a [String],
    /// Sources of the frames (measuring channel), in the same order and with the same response.
    pub sources: &'a [Source],
    /// Radiance that clips the reference frame, by channel, > 0.
    pub tops: &'a [f64],
    /// Noise of the measuring channel.
    pub noise: &'a NoiseModel,
    /// Exposure time of the reference frame, s, if known.
    pub time: Option<f64>,
}

/// Range and recorded shares of the scene of a map, at each of `snrs` (SNR of one pixel). `None` without a pixel or a
/// frame.
pub fn scene(
    map: &RadianceMap,
    taken: &TakenBracket,
    snrs: &[f64],
) -> Option<(Scene, Vec<Finding>)> {
    let first = taken.sources.first()?;
    if taken.tops.is_empty() {
        return None;
    }
    let census = Census::take(map, taken.tops);
    if census.pixels == 0 {
        return None;
    }
    let share = |n: usize| n as f64 / census.pixels as f64;
    let held = held(&census, taken.sources, taken.noise, snrs);
    let clipped = clipped(&census, taken.sources);
    let kept = held.iter().find(|h| h.snr == WANTED_SNR).map(|h| h.merge);
    let snr_table = SnrTable::new(first, taken.noise);
    let answers = WANTED_SHARES.map(|wanted| advice(&census, &snr_table, taken, wanted));
    let refused = WANTED_SHARES
        .iter()
        .zip(&answers)
        .filter(|(_, a)| a.is_none());
    let findings = refused
        .map(|(wanted, _)| no_bracket(&census, *wanted))
        .collect();
    let scene = Scene {
        pixels: census.pixels,
        clipped_share: share(census.clipped),
        lost_share: share(census.lost),
        stops: stops(&census),
        histogram: histogram(&census),
        best: best_of_scene(taken.names, &held, &clipped),
        clipped,
        reach: kept.and_then(|kept| reach(&census, &snr_table, taken, kept)),
        held,
        advice: answers.into_iter().flatten().collect(),
    };
    Some((scene, findings))
}

fn advice(
    census: &Census,
    snr_table: &SnrTable,
    taken: &TakenBracket,
    wanted: f64,
) -> Option<Advice> {
    let plan = smallest_bracket(census, snr_table, WANTED_SNR, wanted)?;
    let stops = |bins: i32| f64::from(bins) / f64::from(PER_STOP);
    let merged = held(census, taken.sources, taken.noise, &[WANTED_SNR]);
    let taken_share = merged.first()?.merge * census.pixels as f64 / census.known();
    let frame = |&shift: &i32| AdvisedFrame {
        stops: stops(shift),
        time: taken.time.map(|t| t * stops(shift).exp2()),
    };
    let spacing = match plan.shifts.as_slice() {
        [a, b, ..] => stops(b - a),
        _ => 0.0,
    };
    Some(Advice {
        snr: WANTED_SNR,
        wanted_share: wanted,
        frames: plan.shifts.iter().map(frame).collect(),
        spacing_stops: spacing,
        share: plan.share,
        one_fewer_share: plan.fewer,
        taken_share,
    })
}

fn no_bracket(census: &Census, wanted: f64) -> Finding {
    let reason = if census.cells.is_empty() {
        "the bracket tells no pixel's radiance"
    } else {
        "even nine frames would leave more of it clipped or below SNR 10"
    };
    Finding::FigureRefused {
        figure: format!("a bracket for {} % of the scene", wanted * 100.0),
        reason: reason.into(),
    }
}

/// Stops between the tails of the radiance distribution.
fn stops(census: &Census) -> Option<f64> {
    let (_, counts) = census.by_radiance()?;
    let total: f64 = counts.iter().sum();
    let point = |wanted: f64| {
        let mut sum = 0.0;
        counts.iter().position(|n| {
            sum += n;
            sum >= wanted * total
        })
    };
    let (low, high) = (point(TAIL)?, point(1.0 - TAIL)?);
    Some((high as f64 - low as f64) / f64::from(PER_STOP))
}

fn histogram(census: &Census) -> Histogram {
    let Some((low, counts)) = census.by_radiance() else {
        return Histogram::default();
    };
    let first = low.div_euclid(BIN);
    let last = (low + counts.len() as i32 - 1).div_euclid(BIN);
    let mut shares = vec![0.0; (last - first + 1) as usize];
    let total: f64 = counts.iter().sum();
    for (place, count) in (low..).zip(&counts) {
        shares[(place.div_euclid(BIN) - first) as usize] += count / total;
    }
    Histogram {
        lowest_stops: f64::from(first * BIN) / f64::from(PER_STOP),
        step_stops: f64::from(BIN) / f64::from(PER_STOP),
        shares,
    }
}
