//! Colour balance of the frames: exposure of red and blue relative to green in each frame, from the fits of the channels.
//!
//! Cameras encode their channels alike, so that a grey has one code in all of them at any level, and its step from frame to
//! frame is one in all channels, whatever the curve. Where the steps of greys differ between the channels through one and the same
//! curve, the balance has changed. A difference that is the same in every stop is the curve's, not the frames', if there are
//! enough steps to tell (Grossberg and Nayar 2003: a factor on all steps is an exponent of the curve).
use super::blocks::BlockSamples;
use super::ratios;
use stopspan_core::model::ResponseCurve;
use stopspan_core::statistics::robust::median;
use stopspan_core::units::Estimate;

/// Least departure that counts, standard uncertainties.
const SEEN_AT: f64 = 4.0;
/// Least departure that counts, stops: below it the curves of single channels differ as much.
const WORTH: f64 = 0.015;
/// Least standard uncertainty of an exposure ratio, however many blocks there are, stops.
const RATIO_FLOOR: f64 = 0.002;
/// Least distance from the floor of the blocks that are compared, codes: nearer, noise that is cut off at black looks like a cast.
const ABOVE_FLOOR: f64 = 24.0;
/// Largest distance from grey of a grey, as a share of its code, plus codes.
const GREY: (f32, f32) = (0.12, 2.0);
/// Least number of steps of which the common part is taken for the curve's.
const FEWEST_STEPS: usize = 5;
/// Least number of greys.
const FEWEST_GREYS: usize = 60;
/// In a scene with fewer greys than that, so many of its greyest blocks are taken for them, up to this distance from grey as a share of
/// their code.
const GREYEST: (usize, f32) = (500, 0.4);
/// Number of blocks whose errors are alike, for blocks of one thing lie together (judgement).
const BLOCKS_ALIKE: f64 = 20.0;
/// Standard uncertainty of a step that too few greys show, stops.
const UNSEEN: f64 = 0.1;

/// Exposure of the channels of every frame relative to green and to most of the frames, beyond the stated one, stops. One
/// entry a frame, in it one a channel; green's is 0.
pub(super) type Balance = Vec<[Estimate; 3]>;

/// The balance from the steps of greys through the table of green, log2 exposure by code. `None` unless there are three channels
/// and some frame departs. `stated` has the exposure of every frame, log2.
pub(super) fn by_greys(
    samples: &[BlockSamples],
    green: &[f64],
    stated: &[f64],
    reference: usize,
) -> Option<Balance> {
    if samples.len() != 3 {
        return None;
    }
    let channel = |c: usize| -> Option<Vec<Estimate>> {
        let steps: Vec<Option<Estimate>> = (1..stated.len())
            .map(|j| grey_step(samples, green, c, (j - 1, j)))
            .collect();
        let of_curve = common_slope(&steps, stated);
        let step = |j: usize| match steps[j] {
            Some(e) => Estimate::new(
                e.value - of_curve * (stated[j + 1] - stated[j]),
                e.standard_uncertainty,
            ),
            None => Estimate::new(0.0, UNSEEN),
        };
        let along = |j: usize| {
            let between = (j.min(reference)..j.max(reference)).map(step);
            let sign = if j < reference { -1.0 } else { 1.0 };
            between.fold(Estimate::new(0.0, 0.0), |sum, e| {
                let doubt = sum.standard_uncertainty.hypot(e.standard_uncertainty);
                Estimate::new(sum.value + sign * e.value, doubt)
            })
        };
        steps
            .iter()
            .any(Option::is_some)
            .then(|| (0..stated.len()).map(along).collect())
    };
    if_departing(together(channel(0)?, channel(2)?, reference))
}

/// Difference of the steps of channel `c` and of green from frame to frame that is the same in every stop: median over the steps,
/// stops a stop; 0 with fewer than [`FEWEST_STEPS`] steps.
fn common_slope(steps: &[Option<Estimate>], stated: &[f64]) -> f64 {
    let pairs = steps.iter().zip(stated.windows(2));
    let slopes: Vec<f64> = pairs
        .filter_map(|(step, s)| Some(step.as_ref()?.value / (s[1] - s[0]).max(0.1)))
        .collect();
    if slopes.len() < FEWEST_STEPS {
        return 0.0;
    }
    median(&slopes).unwrap_or(0.0)
}

/// Step of channel `c` between two frames less that of green, over the blocks that are grey in both: the median, with half the
/// difference between darker and brighter blocks in its uncertainty. `None` with fewer than 60 such blocks.
fn grey_step(
    samples: &[BlockSamples],
    green: &[f64],
    c: usize,
    (first, second): (usize, usize),
) -> Option<Estimate> {
    let tables =
        [&samples[c], &samples[1]].map(|s| ratios::LogTable::of_codes(s, green, ABOVE_FLOOR));
    let frames = samples[1].frames;
    let of = |block: usize| {
        let (i, k) = (block * frames + first, block * frames + second);
        let step = |t: usize, s: &BlockSamples| {
            let (a, b) = (tables[t].look(s, i)?.0, tables[t].look(s, k)?.0);
            Some((a + b, b - a))
        };
        let (own, main) = (step(0, &samples[c])?, step(1, &samples[1])?);
        let from_grey = from_grey(samples, i).max(from_grey(samples, k));
        (from_grey <= GREYEST.1).then_some((from_grey, (main.0, own.1 - main.1)))
    };
    let mut all: Vec<(f32, (f64, f64))> = (0..samples[1].len()).filter_map(of).collect();
    all.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let greys = all.partition_point(|block| block.0 <= GREY.0);
    if greys < FEWEST_GREYS {
        all.truncate(GREYEST.0);
    } else {
        all.truncate(greys);
    }
    let mut seen: Vec<(f64, f64)> = all.into_iter().map(|block| block.1).collect();
    if seen.len() < FEWEST_GREYS {
        return None;
    }
    seen.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let middle = |part: &[(f64, f64)]| {
        let values: Vec<f64> = part.iter().map(|p| p.1).collect();
        median(&values).unwrap_or(0.0)
    };
    let (dark, bright) = seen.split_at(seen.len() / 2);
    let whole = middle(&seen);
    let away: Vec<f64> = seen.iter().map(|s| (s.1 - whole).abs()).collect();
    let scatter = 1.4826 * median(&away).unwrap_or(0.0);
    let noise = scatter / (seen.len() as f64 / BLOCKS_ALIKE).sqrt();
    let apart = (middle(bright) - middle(dark)) / 2.0;
    Some(Estimate::new(whole, noise.hypot(apart).hypot(RATIO_FLOOR)))
}

/// Distance from grey of the block of one frame with index `i`, beyond the codes of [`GREY`], as a share of its code.
fn from_grey(samples: &[BlockSamples], i: usize) -> f32 {
    let colour = |s: &BlockSamples| s.colour.get(i).map_or(f32::INFINITY, |c| c.abs());
    let most = samples.iter().map(colour).fold(0.0, f32::max);
    (most - GREY.1).max(0.0) / samples[1].mean[i].max(1.0)
}

/// The balance from exposure ratios through known curves. `None` if darker and brighter blocks give different ratios, which
/// they do through a wrong curve.
pub(super) fn by_ratios(
    samples: &[BlockSamples],
    curves: &[ResponseCurve],
    reference: usize,
) -> Option<Balance> {
    if samples.len() != 3 || curves.len() != 3 {
        return None;
    }
    let frames = samples[0].frames;
    let channel = |c: usize| -> Option<Vec<Estimate>> {
        (0..frames)
            .map(|j| {
                if j == reference {
                    return Some(Estimate::new(0.0, 0.0));
                }
                let between = |low, high| {
                    let curves = curves.iter().map(|curve| within(curve, low, high));
                    let curves: Vec<ResponseCurve> = curves.collect();
                    ratio(samples, &curves, c, j, reference)
                };
                let (whole, dark, bright) =
                    (between(0.0, 1.0)?, between(0.0, 0.4)?, between(0.1, 1.0)?);
                let apart = (dark.value - bright.value).abs();
                (apart < 0.4 * whole.value.abs().max(WORTH)).then_some(whole)
            })
            .collect()
    };
    if_departing(together(channel(0)?, channel(2)?, reference))
}

/// A curve supported between two levels (fractions of full scale) only.
fn within(curve: &ResponseCurve, low: f64, high: f64) -> ResponseCurve {
    let mut curve = curve.clone();
    curve.supported.0 = curve.supported.0.max(low);
    curve.clip_level = curve.clip_level.min(high);
    curve
}

/// Exposure ratio of frame `j` to the reference in channel `c`, relative to that in green, stops.
fn ratio(
    samples: &[BlockSamples],
    curves: &[ResponseCurve],
    c: usize,
    j: usize,
    reference: usize,
) -> Option<Estimate> {
    let (first, second) = (j.min(reference), j.max(reference));
    let sign = if j > reference { 1.0 } else { -1.0 };
    let of = |k: usize| ratios::measure(&samples[k..=k], &curves[k..=k], first, second);
    let (own, green) = (of(c)?, of(1)?);
    let noise = own
        .standard_uncertainty
        .hypot(green.standard_uncertainty)
        .hypot(RATIO_FLOOR);
    Some(Estimate::new(sign * (own.value - green.value), noise))
}

/// The balance from departures from the reference frame. Of three frames or more, those that differ from the median have
/// drifted, which may be the reference; of two frames the reference is taken as correct.
fn together(red: Vec<Estimate>, blue: Vec<Estimate>, reference: usize) -> Balance {
    let none = Estimate::new(0.0, 0.0);
    let centred = |channel: Vec<Estimate>| -> Vec<Estimate> {
        let values: Vec<f64> = channel.iter().map(|d| d.value).collect();
        let usual = match values.len() {
            0..=2 => 0.0,
            _ => median(&values).unwrap_or(0.0),
        };
        let others = channel.iter().map(|d| d.standard_uncertainty).sum::<f64>();
        let typical = others / (channel.len().max(2) - 1) as f64;
        let one = |(j, d): (usize, Estimate)| {
            let held = j == reference && values.len() > 2;
            let uncertainty = if held {
                typical
            } else {
                d.standard_uncertainty
            };
            Estimate::new(d.value - usual, uncertainty)
        };
        channel.into_iter().enumerate().map(one).collect()
    };
    let pairs = centred(red).into_iter().zip(centred(blue));
    pairs.map(|(r, b)| [r, none, b]).collect()
}

/// The balance, if any frame departs.
fn if_departing(balance: Balance) -> Option<Balance> {
    balance.iter().any(departs).then_some(balance)
}

/// True if the balance of a frame departs significantly.
pub(super) fn departs(channels: &[Estimate; 3]) -> bool {
    channels
        .iter()
        .any(|d| d.value.abs() > WORTH && d.value.abs() > SEEN_AT * d.standard_uncertainty)
}
