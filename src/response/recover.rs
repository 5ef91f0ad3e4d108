//! Which response, and which exposures: fits, checks stated exposures against pixels, decides, refuses.
use super::assemble::assemble;
use super::balance::{self, Balance};
use super::blocks::{self, BlockSamples};
use super::ratios;
use super::refusal::{FEWEST_BLOCKS, note_thin, refuse, refuse_flat};
use super::select::ResponseRequest;
use super::smooth_table::{self, TableFit};
use super::{published, steady, unfitted};
use rayon::prelude::*;
use stopspan_core::Error;
use stopspan_core::finding::Finding;
use stopspan_core::model::ExposureCheck;
use stopspan_core::model::LinearScales;
use stopspan_core::model::{Bracket, Clip, Exposure, ExposureSource, Response, UNCHANGED};
use stopspan_core::units::Estimate;

/// A response, the exposures to use, and what was found on the way.
#[derive(Debug, Clone)]
pub struct Recovered {
    /// The response.
    pub response: Response,
    /// One a frame: stated, used, and where that comes from.
    pub exposures: Vec<Exposure>,
    /// One a frame: what its channels received against green beyond its exposure, see [`Frame`](stopspan_core::model::Frame).
    pub balance: Vec<[Estimate; 3]>,
    /// Stated against measured.
    pub check: ExposureCheck,
    /// Doubts.
    pub findings: Vec<Finding>,
}

/// Departure, in combined standard uncertainties, at which a stated exposure counts as false.
const FALSE_AT: f64 = 3.0;

/// Recovers the response of a registered bracket and settles its exposures. `scales` are those of raw frames, whose response
/// is known; `None` for other frames.
///
/// # Errors
/// [`stopspan_core::error::BracketProblem::Response`] if the data cannot support a curve (the message says which number was short);
/// [`stopspan_core::error::BracketProblem::NothingUsable`] if no block is usable at all.
pub fn recover(
    bracket: &Bracket,
    clips: &[Clip],
    scales: Option<&LinearScales>,
    request: ResponseRequest,
) -> Result<Recovered, Error> {
    let samples = steady::keep(blocks::collect(bracket));
    let stated: Vec<Estimate> = bracket.frames.iter().map(|f| f.exposure.stated).collect();
    let mut findings = Vec::new();
    let (response, used, balance) = match request {
        ResponseRequest::Linear => {
            unfitted::linear(bracket, &samples, (clips, scales), &stated, &mut findings)
        }
        ResponseRequest::Srgb => (unfitted::srgb(bracket, clips), stated.clone(), None),
        ResponseRequest::Fit
        | ResponseRequest::LeastSquaresTable
        | ResponseRequest::Alternating
        | ResponseRequest::Polynomial => {
            refuse_flat(bracket, &samples)?;
            let method = request.method();
            let (fits, used, balance) = if request == ResponseRequest::Fit {
                smooth(bracket, &samples, &stated, &mut findings)?
            } else {
                let values: Vec<f64> = stated.iter().map(|e| e.value).collect();
                let fits = published::fit(method, bracket, &samples, &values)
                    .ok_or_else(|| refuse(bracket, &samples))?;
                (fits, stated.clone(), None)
            };
            if fits.iter().any(|f| f.samples < FEWEST_BLOCKS) {
                return Err(refuse(bracket, &samples));
            }
            note_thin(&fits, (&samples[..], clips), &mut findings);
            if bracket.frames[0].exposure.source != ExposureSource::Guessed {
                findings.push(span(&stated));
            }
            (assemble(method, bracket, &fits, clips), used, balance)
        }
    };
    let names: Vec<String> = bracket.frames.iter().map(|f| f.name()).collect();
    note_balance(&names, balance.as_ref(), &mut findings);
    let check = ratios::check(&samples, &response.curves, &names, (&stated, &used));
    note_closures(&check, &mut findings);
    let exposures = bracket
        .frames
        .iter()
        .zip(&used)
        .map(|(frame, &used)| {
            let moved = (used.value - frame.exposure.stated.value).abs() > 1e-9;
            let guessed = frame.exposure.source == ExposureSource::Guessed;
            let source = if moved && !guessed {
                ExposureSource::Measured
            } else {
                frame.exposure.source
            };
            Exposure {
                stated: frame.exposure.stated,
                used,
                source,
            }
        })
        .collect();
    Ok(Recovered {
        response,
        balance: balance.unwrap_or_else(|| vec![UNCHANGED; bracket.frames.len()]),
        exposures,
        check,
        findings,
    })
}

/// The span is never estimated, whatever the method.
fn span(stated: &[Estimate]) -> Finding {
    let (first, last) = (stated[0], stated[stated.len() - 1]);
    Finding::SpanFromMetadata {
        span_stops: last.value - first.value,
        standard_uncertainty_stops: first.standard_uncertainty.hypot(last.standard_uncertainty),
    }
}

fn note_balance(names: &[String], balance: Option<&Balance>, findings: &mut Vec<Finding>) {
    for (frame, channels) in names.iter().zip(balance.into_iter().flatten()) {
        if balance::departs(channels) {
            let [red, _, blue] = channels;
            findings.push(Finding::BalanceDrift {
                frame: frame.clone(),
                red_stops: red.value,
                blue_stops: blue.value,
                standard_uncertainty_stops: red.standard_uncertainty.max(blue.standard_uncertainty),
            });
        }
    }
}

fn note_closures(check: &ExposureCheck, findings: &mut Vec<Finding>) {
    for c in &check.closures {
        // 0.01 stop is what block means through a fitted curve leave on sound brackets.
        let limit = FALSE_AT * c.closure.standard_uncertainty.hypot(0.01);
        if c.closure.value.abs() > limit {
            findings.push(Finding::ClosureFails {
                first: c.files[0].clone(),
                second: c.files[1].clone(),
                third: c.files[2].clone(),
                closure_stops: c.closure.value,
                standard_uncertainty_stops: c.closure.standard_uncertainty,
            });
        }
    }
}

/// The stated exposure, or what the pixels say where the two cannot both be true; their weighted mean otherwise.
pub(super) fn settle(
    frame: &str,
    stated: Estimate,
    measured: Estimate,
    findings: &mut Vec<Finding>,
) -> Estimate {
    let both = stated
        .standard_uncertainty
        .hypot(measured.standard_uncertainty);
    if (measured.value - stated.value).abs() > FALSE_AT * both {
        findings.push(Finding::StatedExposureFalse {
            frame: frame.to_string(),
            stated_stops: stated.value,
            measured_stops: measured.value,
            standard_uncertainty_stops: measured.standard_uncertainty,
            used_measured: true,
        });
        return measured;
    }
    let (a, b) = (
        stated.standard_uncertainty.max(1e-4).powi(-2),
        measured.standard_uncertainty.max(1e-4).powi(-2),
    );
    Estimate::new(
        (a * stated.value + b * measured.value) / (a + b),
        1.0 / (a + b).sqrt(),
    )
}

/// Blocks of about one level that the first and the last fit see: more do not lower the residual, which is systematic by
/// then.
const FIRST_A_LEVEL: usize = 60;
const LAST_A_LEVEL: usize = 120;

/// Tables, exposures and the balance of the default method.
type Fitted = (Vec<TableFit>, Vec<Estimate>, Option<Balance>);

/// The default method: exposures between the two ends are estimated, judged against the stated ones, and the table is
/// fitted once more with all of them held, from where the first fit ended, to more blocks.
fn smooth(
    bracket: &Bracket,
    samples: &[BlockSamples],
    stated: &[Estimate],
    findings: &mut Vec<Finding>,
) -> Result<Fitted, Error> {
    let values: Vec<f64> = stated.iter().map(|e| e.value).collect();
    let last = values.len() - 1;
    let ends: Vec<bool> = values
        .iter()
        .map(|&v| v <= values[0] || v >= values[last])
        .collect();
    let thinned = |a_level: usize| -> Vec<BlockSamples> {
        samples.par_iter().map(|s| s.thinned(a_level)).collect()
    };
    let free = fit_channels(&thinned(FIRST_A_LEVEL), &values, &ends)
        .ok_or_else(|| refuse(bracket, samples))?;
    let balance = balance::by_tables(&free, bracket.reference);
    // With a balance that drifts, the exposure of a frame is green's.
    let judged = if balance.is_some() {
        &free[1..=1]
    } else {
        &free[..]
    };
    let used: Vec<Estimate> = (0..=last)
        .map(|j| match combine(judged, j, &values, ends[j]) {
            Some(measured) => settle(&bracket.frames[j].name(), stated[j], measured, findings),
            None => stated[j],
        })
        .collect();
    let fits = fit_settled(&thinned(LAST_A_LEVEL), &used, balance.as_ref(), &free)
        .ok_or_else(|| refuse(bracket, samples))?;
    Ok((fits, used, balance))
}

/// The tables once more, with the exposures of every channel held.
fn fit_settled(
    samples: &[BlockSamples],
    used: &[Estimate],
    balance: Option<&Balance>,
    start: &[TableFit],
) -> Option<Vec<TableFit>> {
    let held = vec![true; used.len()];
    let fit = |(channel, s): (usize, &BlockSamples)| {
        let beyond = |j: usize| balance.map_or(0.0, |b| b[j][channel].value);
        let exposures: Vec<f64> = used
            .iter()
            .enumerate()
            .map(|(j, e)| e.value + beyond(j))
            .collect();
        smooth_table::fit(s, &exposures, &held, start.get(channel))
    };
    samples.par_iter().enumerate().map(fit).collect()
}

fn fit_channels(
    samples: &[BlockSamples],
    exposures: &[f64],
    held: &[bool],
) -> Option<Vec<TableFit>> {
    let fit = |s| smooth_table::fit(s, exposures, held, None);
    samples.par_iter().map(fit).collect()
}

/// The exposure of frame `j` over all channels: statistical uncertainty, scatter between channels, and 0.4 % of a stop
/// per stop from the nearest held frame for what the smoothness of the curve decides.
fn combine(fits: &[TableFit], j: usize, stated: &[f64], held: bool) -> Option<Estimate> {
    if held {
        return None;
    }
    let count = fits.len() as f64;
    let mean = fits.iter().map(|f| f.exposures[j]).sum::<f64>() / count;
    let scatter = fits
        .iter()
        .map(|f| (f.exposures[j] - mean).powi(2))
        .sum::<f64>()
        / count;
    let noise = fits
        .iter()
        .map(|f| f.exposure_uncertainty[j].powi(2))
        .sum::<f64>()
        / count;
    let away = (stated[j] - stated[0]).min(stated[stated.len() - 1] - stated[j]);
    let smooth = 0.004 * away.max(0.5);
    mean.is_finite()
        .then(|| Estimate::new(mean, (scatter + noise + smooth * smooth).sqrt()))
}
