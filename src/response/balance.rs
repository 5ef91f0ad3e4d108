//! Colour balance of the frames: exposure of red and blue relative to green in each frame, from the fits of the channels.
//!
//! A channel is fitted by itself to the whole stated span. If its true span differs, its curve gets a wrong exponent
//! (Grossberg and Nayar 2003); a wrong exposure between the ends is measured directly. Cameras encode their channels alike,
//! so that neutral levels are neutral light at any level. If the three curves agree up to an exponent, that exponent
//! therefore gives the change of balance over the span; otherwise nothing is concluded.
use super::blocks::BlockSamples;
use super::ratios;
use super::smooth_table::{NODES, TableFit};
use stopspan_core::model::ResponseCurve;
use stopspan_core::statistics::robust::median;
use stopspan_core::units::Estimate;

/// Largest root mean square difference of two tables after fitting exponent and scale, stops, at which they are one curve.
const SAME_CURVE: f64 = 0.02;
/// Least departure that counts, standard uncertainties.
const SEEN_AT: f64 = 4.0;
/// Least departure that counts, stops: below it the curves of single channels differ as much.
const WORTH: f64 = 0.015;
/// Least standard uncertainty of an exponent, however many blocks there are.
const EXPONENT_FLOOR: f64 = 0.0007;
/// Least standard uncertainty of an exposure ratio, however many blocks there are, stops.
const RATIO_FLOOR: f64 = 0.002;
/// Number of neighbouring codes whose errors are correlated.
const CODES_ALIKE: f64 = 24.0;
/// Codes that are compared: the ends of the tables are extrapolated.
const COMPARED: std::ops::Range<usize> = 12..244;

/// Exposure of the channels of every frame relative to green and to most of the frames, beyond the stated one, stops. One
/// entry a frame, in it one a channel; green's is 0.
pub(super) type Balance = Vec<[Estimate; 3]>;

/// Exponent of one table relative to another.
struct Alike {
    exponent: Estimate,
    /// Root mean square residual, stops.
    residual: f64,
}

/// The balance from three tables, each fitted to the whole stated span. `None` unless there are three channels, their curves
/// agree up to an exponent, and some frame departs.
pub(super) fn by_tables(fits: &[TableFit], reference: usize) -> Option<Balance> {
    let [red, green, blue] = fits else {
        return None;
    };
    let (red, blue) = (
        departures(red, green, reference)?,
        departures(blue, green, reference)?,
    );
    if_departing(together(red, blue, reference))
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

/// Exposure of a channel in every frame relative to green and to the reference frame, stops; `None` unless the two tables
/// agree up to an exponent.
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
    (alike.residual <= SAME_CURVE).then(|| (0..fit.exposures.len()).map(one).collect())
}

/// Weighted least squares of `fit = offset + exponent * green` over the codes that both tables support; `None` with too little
/// data or an exponent outside 0.8..1.25.
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
    let residual = mean(&|p| (p.1 - y - gamma * (p.0 - x)).powi(2)).sqrt();
    let independent = (points.len() as f64 / CODES_ALIKE - 2.0).max(1.0);
    let uncertainty = (residual / (spread * independent).sqrt()).hypot(EXPONENT_FLOOR);
    let sane = (0.8..1.25).contains(&gamma);

    sane.then_some(Alike {
        exponent: Estimate::new(gamma, uncertainty),
        residual,
    })
}
