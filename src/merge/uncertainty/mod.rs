//! The uncertainty that the frames of a bracket show by disagreeing.
//!
//! A noise model fitted to flat places of single frames misses what lossy coding and a camera's processing do to detail, and what one
//! response curve a channel cannot describe. Differences between registered frames show the sum of all that frames do not share. In
//! reading order: `activity` sorts blocks of the picture by detail and colour; `differences` compares frames on sampled
//! rows; `exposures` judges by that how far exposures agree; `separate` resolves mean squares of differences into one variance by level; `coding` estimates the detail that
//! compression takes from all frames alike; `tables` turns the terms into factors that a merge looks up.
//!
//! What a camera does to every frame alike, such as sharpening and noise reduction, no difference between them shows: it is not
//! included.
mod activity;
mod coding;
mod differences;
mod exposures;
mod separate;
mod tables;

pub(crate) use tables::{Corrections, Room, blocks_of};

use crate::merger::Merger;
use crate::weights::{CELLS, centre};
use differences::{AreaDifference, COARSE, Differences, PairDifferences, TOGETHER};
use rayon::prelude::*;
use separate::{Observation, Separation};
use stopspan_core::model::{
    ACTIVITIES, Bracket, ByLevel, COLOURS, ChannelTerms, Disagreement, NoiseModel, Recovered,
    Response, ResponseMethod, Samples,
};
use stopspan_core::statistics::robust::median;

/// Least number of pixels of one pair, activity and radiance for a mean square.
const FEWEST_PIXELS: f64 = 200.0;
/// Least number of areas of one pair, colour and radiance.
const FEWEST_IN_GROUP: usize = 8;
/// The mean difference of a pair, which is the error of its exposures and not the curve's, is taken where both frames have more than
/// this level: the curve is least certain in the dark.
const WELL_SHOWN: f64 = 24.0 / 255.0;
/// Largest relative systematic part with which a frame is merged where a longer one sees more.
const TRUSTED: f64 = 0.2;
/// Highest code that frames may be left out below.
const HIGHEST: u32 = 12;
/// Median of the square of a standard normal variable.
const MEDIAN_SQUARE: f64 = 0.4549;
/// Least number of areas for the mean difference of a pair.
const FEWEST_AREAS: usize = 60;

/// What the frames disagree by. `None` for a single frame, and for linear frames, whose noise model is complete.
pub fn observe(recovered: &Recovered) -> Option<Disagreement> {
    let Recovered {
        bracket, response, ..
    } = recovered;
    let linear = response.method == ResponseMethod::Linear;
    let planes = matches!(recovered.samples, Samples::Planes(_));
    if linear || planes || bracket.frames.len() < 2 {
        return None;
    }
    let blocks = activity::classes(bracket, response);
    let merger = Merger::of(recovered);
    let seen = differences::observe(&merger, &blocks);
    let channel = |c: usize| terms(&merger, response, &seen, c);
    let channels: Option<Vec<ChannelTerms>> = (0..response.curves.len())
        .into_par_iter()
        .map(channel)
        .collect();
    let lost = bracket.frames.par_iter().map(|f| coding::lost(f, &blocks));
    let lost = lost.collect();
    Some(Disagreement {
        channels: channels?,
        lost,
        step: mean_step(bracket),
        span: exposures::span(bracket),
        blocks,
    })
}

/// Mean step between neighbouring exposures that differ, natural logarithm; that of one stop if none do.
fn mean_step(bracket: &Bracket) -> f64 {
    let frames = 0..bracket.frames.len();
    let mut exposures: Vec<f64> = frames.map(|j| bracket.relative_exposure(j).ln()).collect();
    exposures.sort_by(f64::total_cmp);
    let steps = exposures.windows(2).map(|w| w[1] - w[0]);
    let steps: Vec<f64> = steps.filter(|s| *s > 0.05).collect();
    if steps.is_empty() {
        return std::f64::consts::LN_2;
    }
    steps.iter().sum::<f64>() / steps.len() as f64
}

/// The terms of one channel; `None` if no pair of frames shows anything.
fn terms(
    merger: &Merger,
    response: &Response,
    seen: &Differences,
    channel: usize,
) -> Option<ChannelTerms> {
    let curve = &response.curves[channel];
    let level = |frame: usize, coarse: usize| {
        let middle = (coarse * TOGETHER + TOGETHER / 2).min(CELLS - 1);
        curve.level_of(centre(middle) * merger.bracket.channel_exposure(frame, channel))
    };
    let view = View {
        merger,
        seen,
        channel,
        level: &level,
    };
    let pairs = seen.pairs.iter().zip(&seen.channels[channel]);
    let mut independent: [Separation; ACTIVITIES] = Default::default();
    let mut systematic: [Separation; COLOURS] = Default::default();
    for (pair, differences) in pairs {
        view.add_pixels(*pair, differences, &mut independent);
        view.add_areas(*pair, differences, &mut systematic);
    }
    let rounded = merger.bracket.reference_frame().picture.pixels.bits() == 8;
    let floor = if rounded {
        NoiseModel::rounding(256)
    } else {
        0.0
    };
    let frames = merger.bracket.frames.len();
    let of_channel = &seen.channels[channel];
    let exposures = exposures::beside_others(frames, &seen.pairs, of_channel, level);
    let in_all = pooled(&independent).solve(None)?;
    let usual = pooled(&systematic).solve(None).unwrap_or_default();
    let own = |s: Separation| s.solve(Some(&in_all)).unwrap_or(in_all);
    let of_colour = |s: Separation| s.solve(Some(&usual)).unwrap_or(usual);
    Some(ChannelTerms {
        independent: independent.map(|s| ByLevel(own(s).0.map(|v| v.max(floor)))),
        systematic: systematic.map(of_colour),
        trusted_from: trusted_from(&usual),
        exposures,
        middle: median_radiance(&seen.channels[channel]),
    })
}

/// The lowest level, in whole codes, from which the systematic part is at most [`TRUSTED`]; [`HIGHEST`] if none below is.
fn trusted_from(systematic: &ByLevel) -> f64 {
    let level = |code: u32| f64::from(code) / 255.0;
    let good = |code: &u32| systematic.at(level(*code)).sqrt() <= TRUSTED;
    level((0..HIGHEST).find(good).unwrap_or(HIGHEST))
}

/// Radiance that half of the compared pixels lie below.
fn median_radiance(pairs: &[PairDifferences]) -> f64 {
    let mut counts = [0.0; COARSE];
    for class in pairs.iter().flat_map(|p| &p.pixels) {
        let both = counts.iter_mut().zip(class);
        both.for_each(|(sum, spread)| *sum += spread.count);
    }
    let half = 0.5 * counts.iter().sum::<f64>();
    let mut below = 0.0;
    let reached = counts.iter().position(|count| {
        below += count;
        below >= half
    });
    centre(reached.unwrap_or(0) * TOGETHER + TOGETHER / 2)
}

/// The observations of all classes.
fn pooled(classes: &[Separation]) -> Separation {
    let mut all = Separation::default();
    classes.iter().for_each(|s| all.join(s));
    all
}

/// One channel of the differences, and the levels at which frames show a radiance.
struct View<'a> {
    merger: &'a Merger<'a>,
    seen: &'a Differences,
    channel: usize,
    /// Level of a frame at a coarse cell.
    level: &'a (dyn Fn(usize, usize) -> f64 + Sync),
}

impl View<'_> {
    /// Adds what the pixels of one pair differ by to the equations of their classes.
    fn add_pixels(
        &self,
        pair: [usize; 2],
        differences: &PairDifferences,
        sums: &mut [Separation; ACTIVITIES],
    ) {
        let own = own_shares(&differences.areas);
        for ((class, sums), own) in differences.pixels.iter().zip(sums).zip(&own) {
            for (cell, spread) in class.iter().enumerate() {
                if spread.count < FEWEST_PIXELS || spread.sum <= 0.0 {
                    continue;
                }
                let levels = pair.map(|j| (self.level)(j, cell));
                sums.add(Observation {
                    levels,
                    factors: std::array::from_fn(|k| {
                        let gain = self.seen.noise_gain[pair[k]];
                        gain * self.merger.channels[self.channel].per_code(pair[k], levels[k])
                    }),
                    mean_square: own[cell] * spread.mean_square(),
                    samples: spread.count,
                });
            }
        }
    }

    /// Adds what the means of areas of one pair differ by, beyond their noise and the mean difference of the pair.
    fn add_areas(
        &self,
        pair: [usize; 2],
        differences: &PairDifferences,
        sums: &mut [Separation; COLOURS],
    ) {
        let areas = &differences.areas;
        let levels = |cell: usize| pair.map(|j| (self.level)(j, cell));
        let offset = exposures::offset(areas, levels).unwrap_or(0.0);
        let mut groups: Vec<Vec<&AreaDifference>> = vec![Vec::new(); COARSE * COLOURS];
        for area in areas {
            groups[area.colour * COARSE + area.cell.min(COARSE - 1)].push(area);
        }
        for (i, group) in groups.iter().enumerate() {
            if group.len() < FEWEST_IN_GROUP {
                continue;
            }
            sums[i / COARSE].add(Observation {
                levels: levels(i % COARSE),
                factors: [1.0, 1.0],
                mean_square: beyond_noise(group.iter().copied(), offset),
                samples: group.len() as f64,
            });
        }
    }
}

/// By class of activity and coarse cell: share of the mean square of differences that pixels have for themselves. What all pixels of an
/// area differ by is systematic, and counted there. 1 where too few areas are known.
fn own_shares(areas: &[AreaDifference]) -> Vec<[f64; COARSE]> {
    let mut groups: Vec<Vec<&AreaDifference>> = vec![Vec::new(); COARSE * ACTIVITIES];
    for area in areas {
        groups[area.activity * COARSE + area.cell.min(COARSE - 1)].push(area);
    }
    let share = |group: &Vec<&AreaDifference>| {
        if group.len() < FEWEST_IN_GROUP {
            return 1.0;
        }
        let within: Vec<f64> = group.iter().map(|a| a.within).collect();
        let within = median(&within).unwrap_or(0.0);
        let common = beyond_noise(group.iter().copied(), 0.0);
        if within > 0.0 {
            within / (within + common)
        } else {
            1.0
        }
    };
    let of_activity =
        |activity: usize| std::array::from_fn(|cell| share(&groups[activity * COARSE + cell]));
    (0..ACTIVITIES).map(of_activity).collect()
}

/// Variance of mean differences about `offset` beyond that of their noise, from medians: leaves and people that moved unnoticed have
/// little influence. At least 0.
fn beyond_noise<'a>(areas: impl Iterator<Item = &'a AreaDifference>, offset: f64) -> f64 {
    let (squares, noise): (Vec<f64>, Vec<f64>) =
        areas.map(|a| ((a.mean - offset).powi(2), a.noise)).unzip();
    let square = median(&squares).unwrap_or(0.0) / MEDIAN_SQUARE;
    (square - median(&noise).unwrap_or(0.0)).max(0.0)
}
