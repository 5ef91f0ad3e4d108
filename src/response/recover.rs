//! Recovers response and exposures: fits, compares stated exposures with the pixels, and refuses brackets with too little data.
use super::alike;
use super::assemble::assemble;
use super::balance::{self, Balance};
use super::blocks::{self, BlockSamples};
use super::exposures::Measured;
use super::linked;
use super::plausible::Steepness;
use super::refusal::{FEWEST_BLOCKS, note_thin, refuse, refuse_flat, refuse_gray};
use super::select::ResponseRequest;
use super::smooth_table::{self, TableFit};
use super::{fixed_response, published, steady};
use super::{plausible, ratios};
use rayon::prelude::*;
use std::ops::Range;
use stopspan_core::Error;
use stopspan_core::finding::Finding;
use stopspan_core::model::ExposureCheck;
use stopspan_core::model::LinearScales;
use stopspan_core::model::{Bracket, Clip, Exposure, ExposureSource, Frame, Response, UNCHANGED};
use stopspan_core::units::Estimate;

/// A response, the exposures to use, and findings.
#[derive(Debug, Clone)]
pub struct Recovered {
    /// The response.
    pub response: Response,
    /// One a frame: stated and used exposure, and the source of the latter.
    pub exposures: Vec<Exposure>,
    /// One a frame: exposure of its channels relative to green, stops, see [`Frame`](stopspan_core::model::Frame).
    pub balance: Vec<[Estimate; 3]>,
    /// Stated exposure ratios compared with measured ones.
    pub check: ExposureCheck,
    /// Doubts.
    pub findings: Vec<Finding>,
}

/// Departure of stated from measured exposure at which the stated one counts as false, combined standard uncertainties.
const FALSE_AT: f64 = 3.0;

/// Recovers the response of a registered bracket, and decides between stated and measured exposures. `clips` has one entry a
/// channel; `scales` are those of raw frames, whose response is known, `None` for other frames.
///
/// # Errors
/// [`BracketProblem::Response`](stopspan_core::error::BracketProblem::Response) if the data cannot support a curve, with the
/// number that is too small; [`BracketProblem::NothingUsable`](stopspan_core::error::BracketProblem::NothingUsable) if no block
/// is usable.
pub fn recover(
    bracket: &Bracket,
    clips: &[Clip],
    scales: Option<&LinearScales>,
    request: ResponseRequest,
) -> Result<Recovered, Error> {
    let samples = steady::keep(blocks::with_floors(
        blocks::with_colours(blocks::collect(bracket)),
        clips,
    ));
    let stated: Vec<Estimate> = bracket.frames.iter().map(|f| f.exposure.stated).collect();
    let mut findings = Vec::new();
    let (response, used, balance) = match request {
        ResponseRequest::Linear => {
            fixed_response::linear(bracket, &samples, clips, scales, &mut findings)
        }
        ResponseRequest::Srgb => (fixed_response::srgb(bracket, clips), stated.clone(), None),
        ResponseRequest::Fit
        | ResponseRequest::LeastSquaresTable
        | ResponseRequest::Alternating
        | ResponseRequest::Polynomial => {
            let (fits, used, balance) = fitted(bracket, &samples, request, &mut findings)?;
            note_fits(&fits, &samples, clips, &mut findings);
            if bracket.frames[0].exposure.source != ExposureSource::Guessed {
                findings.push(span(&stated, &used));
            }
            let response = assemble(request.method(), bracket, &fits, clips);
            (response, used, balance)
        }
    };
    let names: Vec<String> = bracket.frames.iter().map(|f| f.name()).collect();
    note_balance(&names, balance.as_ref(), &mut findings);
    let check = ratios::check(&samples, &response.curves, &names, &stated, &used);
    note_closures(&check, &mut findings);
    let exposures = bracket
        .frames
        .iter()
        .zip(&used)
        .map(|(frame, &used)| exposure(frame, used))
        .collect();
    Ok(Recovered {
        response,
        balance: balance.unwrap_or_else(|| vec![UNCHANGED; bracket.frames.len()]),
        exposures,
        check,
        findings,
    })
}

/// Tables, exposures and balance by a fitting method.
fn fitted(
    bracket: &Bracket,
    samples: &[BlockSamples],
    request: ResponseRequest,
    findings: &mut Vec<Finding>,
) -> Result<Fitted, Error> {
    refuse_flat(bracket, samples)?;
    let stated: Vec<Estimate> = bracket.frames.iter().map(|f| f.exposure.stated).collect();
    let (fits, used, balance) = if request == ResponseRequest::Fit {
        smooth(bracket, samples, &stated, findings)?
    } else {
        let values: Vec<f64> = stated.iter().map(|e| e.value).collect();
        let fits = published::fit(request.method(), bracket, samples, &values)
            .ok_or_else(|| refuse(bracket, samples))?;
        (fits, stated, None)
    };
    if fits.iter().any(|f| f.samples < FEWEST_BLOCKS) {
        return Err(refuse(bracket, samples));
    }
    if let Some(steepness) = plausible::least(&fits).filter(|s| s.explains_nothing()) {
        return Err(refuse_gray(bracket, steepness));
    }
    Ok((fits, used, balance))
}

/// Reports fits that rest on little data or are steeper than any known curve.
fn note_fits(
    fits: &[TableFit],
    samples: &[BlockSamples],
    clips: &[Clip],
    findings: &mut Vec<Finding>,
) {
    note_thin(fits, samples, clips, findings);
    let steepness = plausible::middle(fits).filter(|s| s.beyond_known());
    findings.extend(steepness.map(beyond));
}

/// The exposure of a frame. Its source is "measured" if the used exposure differs from the stated one and the latter was not
/// guessed.
fn exposure(frame: &Frame, used: Estimate) -> Exposure {
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
}

/// Reports exposures that make the curve steeper than any known one.
fn beyond(steepness: Steepness) -> Finding {
    Finding::SpanBeyondCurves {
        low_code: steepness.codes.0,
        high_code: steepness.codes.1,
        fitted_stops: steepness.fitted,
        known_stops: steepness.known.value,
        most_stops: steepness.most(),
    }
}

/// Reports the exposure span from the first to the last frame that is in use. No method estimates it: it is the stated one
/// without the steps that were proved false.
fn span(stated: &[Estimate], used: &[Estimate]) -> Finding {
    let last = stated.len() - 1;
    let doubt = |j: usize| stated[j].standard_uncertainty;
    Finding::SpanFromMetadata {
        span_stops: used[last].value - used[0].value,
        standard_uncertainty_stops: doubt(0).hypot(doubt(last)),
    }
}

/// Reports frames whose colour balance departs.
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

/// Reports triples of frames whose measured exposure ratios do not add up.
fn note_closures(check: &ExposureCheck, findings: &mut Vec<Finding>) {
    for c in &check.closures {
        // Block means through a fitted curve leave 0.01 stop even in consistent brackets.
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

/// The weighted mean of stated and measured exposure of frame `j`, or the measured one alone (with a finding) if they are
/// incompatible.
pub(super) fn settle(
    bracket: &Bracket,
    j: usize,
    measured: Estimate,
    findings: &mut Vec<Finding>,
) -> Estimate {
    let stated = bracket.frames[j].exposure.stated;
    let reference = bracket.reference_frame().exposure.stated.value;
    let both = stated
        .standard_uncertainty
        .hypot(measured.standard_uncertainty);
    if (measured.value - stated.value).abs() > FALSE_AT * both {
        findings.push(Finding::StatedExposureFalse {
            frame: bracket.frames[j].name(),
            stated_stops: stated.value - reference,
            measured_stops: measured.value - reference,
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

/// Number of blocks of a level in the first fit.
const FIRST_A_LEVEL: usize = 60;
/// Number of blocks of a level in the last fit; more do not reduce its residual, which is systematic by then.
const LAST_A_LEVEL: usize = 120;

/// Tables, exposures and the balance of the default method.
type Fitted = (Vec<TableFit>, Vec<Estimate>, Option<Balance>);

/// The default method. The exposures of the frames that share blocks are estimated and settled with the stated ones; then the
/// table is fitted again to more blocks with all exposures held, starting from the first fit.
fn smooth(
    bracket: &Bracket,
    samples: &[BlockSamples],
    stated: &[Estimate],
    findings: &mut Vec<Finding>,
) -> Result<Fitted, Error> {
    let values: Vec<f64> = stated.iter().map(|e| e.value).collect();
    let thinned = |a_level: usize| -> Vec<BlockSamples> {
        samples.par_iter().map(|s| s.thinned(a_level)).collect()
    };
    let (mut free, run) = fit_linked(&thinned(FIRST_A_LEVEL), samples, &values)
        .ok_or_else(|| refuse(bracket, samples))?;
    let balance = free.get(1).and_then(|green| {
        balance::by_greys(samples, &green.log2_exposure, &values, bracket.reference)
    });
    let measured = Measured {
        fits: &free,
        samples,
        balance: balance.as_ref(),
        run: run.clone(),
        stated,
        bracket,
    };
    let (used, factor) = measured.settle(findings);
    for fit in &mut free {
        fit.log2_exposure.iter_mut().for_each(|g| *g *= factor);
    }
    let last = only(&thinned(LAST_A_LEVEL), &run);
    let mut fits = fit_settled(&last, &used, balance.as_ref(), &free)
        .ok_or_else(|| refuse(bracket, samples))?;
    alike::draw_together(&mut fits);
    Ok((fits, used, balance))
}

/// The samples of the frames of a run; of all frames if it has fewer than two.
fn only(samples: &[BlockSamples], run: &Range<usize>) -> Vec<BlockSamples> {
    let samples = samples.iter().cloned();
    if run.len() < 2 {
        return samples.collect();
    }
    samples.map(|s| s.of_frames(run)).collect()
}

/// Fits the table of every channel and the exposures of the frames that are linked; the second value are these frames. Frames
/// at the dark end are left out of them as long as the fit makes all codes alike, which it does if the chain is broken.
fn fit_linked(
    thinned: &[BlockSamples],
    samples: &[BlockSamples],
    values: &[f64],
) -> Option<(Vec<TableFit>, Range<usize>)> {
    let mut run = linked::longest(samples, values);
    loop {
        let inside = |j: usize| j > run.start && j + 1 < run.end;
        let held: Vec<bool> = (0..values.len()).map(|j| !inside(j)).collect();
        let fits = fit_channels(&only(thinned, &run), values, &held);
        let sound =
            |fits: &[TableFit]| plausible::least(fits).is_none_or(|s| !s.explains_nothing());
        if run.len() <= 2 || fits.as_deref().is_some_and(sound) {
            return Some((fits?, run));
        }
        run.start += 1;
    }
}

/// Fits the tables again with the exposures of every channel held.
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

/// Fits the table of every channel; `held` marks the exposures that are not estimated.
fn fit_channels(
    samples: &[BlockSamples],
    exposures: &[f64],
    held: &[bool],
) -> Option<Vec<TableFit>> {
    let fit = |s| smooth_table::fit(s, exposures, held, None);
    samples.par_iter().map(fit).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array3;
    use stopspan_core::model::Frame;
    use stopspan_core::raster::Pixels;

    /// The finding compares a frame with the reference, whatever log2(t S / (100 N^2)) is: 1/60 s at f/4 is -9.9 stops.
    #[test]
    fn a_false_exposure_is_stated_against_the_reference() {
        let frame = |stops: f64| {
            let pixels = Pixels::U8(Array3::zeros((1, 1, 3)));
            Frame::of_pixels("frame.jpg", pixels, Estimate::new(stops, 0.02))
        };
        let frames = vec![frame(-10.9), frame(-9.9), frame(-8.9)];
        let bracket = Bracket::new("", frames, 1);
        let mut findings = Vec::new();
        let measured = Estimate::new(-9.4, 0.01);
        let used = settle(&bracket, 2, measured, &mut findings);
        assert_eq!(used.value, -9.4);
        let [
            Finding::StatedExposureFalse {
                stated_stops,
                measured_stops,
                ..
            },
        ] = &findings[..]
        else {
            panic!("{findings:?}")
        };
        assert!((stated_stops - 1.0).abs() < 1e-12 && (measured_stops - 0.5).abs() < 1e-12);
    }
}
