//! Colour balance between frames: what red and blue of one frame received against its green, from the fits of the channels.
//!
//! A channel fitted by itself takes up the whole span that it was told: a false span of that channel is a false exponent of
//! its curve (Grossberg and Nayar 2003), and a false exposure between the ends shows as it is. Cameras encode their channels
//! alike, so that neutral levels are neutral light whatever the level; where the three curves are one curve but for an
//! exponent, that exponent is what the balance did to the span. Where they are not, nothing is concluded.
use super::blocks::BlockSamples;
use super::ratios;
use super::smooth_table::{NODES, TableFit};
use stopspan_core::model::ResponseCurve;
use stopspan_core::statistics::robust::median;
use stopspan_core::units::Estimate;

/// Root mean square difference of two tables, stops, once exponent and scale are taken out, up to which they are the same curve.
const SAME_CURVE: f64 = 0.02;
/// Departures count from this many standard uncertainties.
const SEEN_AT: f64 = 4.0;
/// And from this many stops: below, nothing is gained and curves of single channels are not that much alike.
const WORTH: f64 = 0.015;
/// What is left open of an exponent, and of a ratio (stops), however many blocks there are.
const EXPONENT_FLOOR: f64 = 0.0007;
const RATIO_FLOOR: f64 = 0.002;
/// Codes whose errors stand and fall together.
const CODES_ALIKE: f64 = 24.0;
/// Codes that are compared: the ends of the tables are extrapolated.
const COMPARED: std::ops::Range<usize> = 12..244;

/// What the channels of every frame received beyond what was stated, against green and most of the frames, log2, stops: one
/// entry a frame, in it one a channel; green's are 0.
pub(super) type Balance = Vec<[Estimate; 3]>;

/// The exponent of one table over another and what is left of their difference, stops.
struct Alike {
    exponent: Estimate,
    left: f64,
}

/// The balance by three tables fitted each to the whole stated span; `None` where there are not three channels, where
/// their curves are not one curve, or where nothing departs.
pub(super) fn by_tables(fits: &[TableFit], reference: usize) -> Option<Balance> {
    let [red, green, blue] = fits else {
        return None;
    };
    let (red, blue) = (
        departures(red, green, reference)?,
        departures(blue, green, reference)?,
    );
    counted(together(red, blue, reference))
}

/// The balance by exposure ratios through known curves. Through a false curve the ratio hangs on the level: where darker and
/// brighter blocks do not agree, nothing is concluded.
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
                let whole = ratio(samples, curves, (c, j, reference), (0.0, 1.0))?;
                let dark = ratio(samples, curves, (c, j, reference), (0.0, 0.4))?;
                let bright = ratio(samples, curves, (c, j, reference), (0.1, 1.0))?;
                let apart = (dark.value - bright.value).abs();
                (apart < 0.4 * whole.value.abs().max(WORTH)).then_some(whole)
            })
            .collect()
    };
    counted(together(channel(0)?, channel(2)?, reference))
}

/// What channel `c` of frame `j` received beyond green, from blocks between two levels (shares of full scale).
fn ratio(
    samples: &[BlockSamples],
    curves: &[ResponseCurve],
    (c, j, reference): (usize, usize, usize),
    (low, high): (f64, f64),
) -> Option<Estimate> {
    let (first, second) = (j.min(reference), j.max(reference));
    let sign = if j > reference { 1.0 } else { -1.0 };
    let of = |k: usize| {
        let mut curve = curves[k].clone();
        curve.supported.0 = curve.supported.0.max(low);
        curve.clip_level = curve.clip_level.min(high);
        ratios::measure(&samples[k..=k], &[curve], first, second)
    };
    let (own, green) = (of(c)?, of(1)?);
    let noise = own
        .standard_uncertainty
        .hypot(green.standard_uncertainty)
        .hypot(RATIO_FLOOR);
    Some(Estimate::new(sign * (own.value - green.value), noise))
}

/// The balance from departures against the reference frame. With three frames or more it is what departs from most of them
/// (the median) that has drifted, be it the reference; of two frames the reference is right.
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

fn counted(balance: Balance) -> Option<Balance> {
    balance.iter().any(departs).then_some(balance)
}

/// True where a frame's balance is worth a word.
pub(super) fn departs(channels: &[Estimate; 3]) -> bool {
    channels
        .iter()
        .any(|d| d.value.abs() > WORTH && d.value.abs() > SEEN_AT * d.standard_uncertainty)
}

fn departures(fit: &TableFit, green: &TableFit, reference: usize) -> Option<Vec<Estimate>> {
    let alike = alike(fit, green)?;
    let gamma = alike.exponent;
    let one = |j: usize| {
        let own = fit.exposures[j] - fit.exposures[reference];
        let main = green.exposures[j] - green.exposures[reference];
        let noise = |f: &TableFit| {
            let u = &f.exposure_uncertainty;
            u[j].hypot(u[reference])
        };
        let turned = own / gamma.value * gamma.standard_uncertainty;
        Estimate::new(
            own / gamma.value - main,
            noise(fit).hypot(noise(green)).hypot(turned),
        )
    };
    (alike.left <= SAME_CURVE).then(|| (0..fit.exposures.len()).map(one).collect())
}

/// Least squares of `fit = offset + exponent * green` over the codes that both support.
fn alike(fit: &TableFit, green: &TableFit) -> Option<Alike> {
    let low = fit.supported.0.max(green.supported.0) as usize;
    let high = fit.supported.1.min(green.supported.1) as usize;
    let codes = COMPARED.start.max(low)..COMPARED.end.min(high).min(NODES);
    let points: Vec<(f64, f64, f64)> = codes
        .map(|code| {
            let variance = fit.uncertainty[code].powi(2) + green.uncertainty[code].powi(2) + 1e-4;
            let weight = fit.coverage[code].min(green.coverage[code]).min(100.0) / variance;
            (green.log2_exposure[code], fit.log2_exposure[code], weight)
        })
        .collect();
    let total: f64 = points.iter().map(|p| p.2).sum();
    if points.len() < 48 || total.is_nan() || total <= 0.0 {
        return None;
    }
    let mean = |of: &dyn Fn(&(f64, f64, f64)) -> f64| {
        points.iter().map(|p| p.2 * of(p)).sum::<f64>() / total
    };
    let (x, y) = (mean(&|p| p.0), mean(&|p| p.1));
    let spread = mean(&|p| (p.0 - x).powi(2));
    if spread < 0.25 {
        return None;
    }
    let gamma = mean(&|p| (p.0 - x) * (p.1 - y)) / spread;
    let left = mean(&|p| (p.1 - y - gamma * (p.0 - x)).powi(2)).sqrt();
    let independent = (points.len() as f64 / CODES_ALIKE - 2.0).max(1.0);
    let uncertainty = (left / (spread * independent).sqrt()).hypot(EXPONENT_FLOOR);
    let sane = (0.8..1.25).contains(&gamma);

    sane.then_some(Alike {
        exponent: Estimate::new(gamma, uncertainty),
        left,
    })
}
