//! Usable stops of a picture at each SNR threshold, with interval and limit.
use super::departure::Departure;
use super::drawn_curves::misfit_by_curve;
use super::fit::{Observation, fit, misfit, observations};
use super::fitted::Fitted;
use super::interval::Resampling;
use super::noise_model::Capture;
use super::threshold::darkest;
use crate::subject::{Source, Subject};
use crate::wedge::PatchSample;
use stopspan_core::finding::Finding;
use stopspan_core::model::{NoiseModel, ResponseCurve};
use stopspan_core::results::{Limit, UsableStops};

/// Settings of the usable range.
#[derive(Debug, Clone, PartialEq)]
pub struct RangeSettings {
    /// SNR thresholds: 1 (ISO 15739, EMVA 1288), 3 (lower end of Rose 1948), 10 and 40 (ISO 12232).
    pub snrs: Vec<f64>,
    /// Resampling settings for the intervals.
    pub resampling: Resampling,
    /// A noise model from elsewhere (the merge), for pictures whose patches do not give one.
    pub noise: Option<NoiseModel>,
    /// Curves drawn from the uncertainty of a picture's own curve, over which its intervals are shared out; empty where the
    /// curve states its uncertainty itself.
    pub curves: Vec<ResponseCurve>,
}

impl Default for RangeSettings {
    /// Four thresholds, 2000 resamples, an exact span, densities to 0.02 D (common practice, no source).
    fn default() -> Self {
        RangeSettings {
            snrs: vec![1.0, 3.0, 10.0, 40.0],
            resampling: Resampling {
                count: 2000,
                seed: 1,
                span_relative: 0.0,
                density_uncertainty: 0.02,
            },
            noise: None,
            curves: Vec::new(),
        }
    }
}

/// Usable stops, the noise model fitted to the patches, and findings.
pub fn usable_stops(
    subject: &Subject,
    patches: &[PatchSample],
    settings: &RangeSettings,
) -> (Vec<UsableStops>, Option<NoiseModel>, Vec<Finding>) {
    let refused = |reason: &str| {
        let finding = Finding::FigureRefused {
            figure: "dynamic range".into(),
            reason: reason.into(),
        };
        (Vec::new(), None, vec![finding])
    };
    let Some(capture) = Capture::of(&subject.sources) else {
        return refused("the exposures behind this picture are not known");
    };
    let capture = match settings.curves.is_empty() {
        true => capture,
        false => capture.without_code_noise(),
    };
    let seen = observations(patches, &capture);
    let refs: Vec<&Observation> = seen.iter().map(|(_, o)| o).collect();
    let floor = code_floor(subject, &capture);
    let Some(model) = fit(&refs, floor, None) else {
        return match settings.noise {
            Some(noise) => {
                let figures = without_wedge(&subject.sources, &noise, &settings.snrs);
                (figures, None, Vec::new())
            }
            None => refused("fewer than four clean patches with noise in them"),
        };
    };
    // A misfit that comes of the curve is in the drawn curves already.
    let mut least = misfit(&refs, &model);
    for curve in &settings.curves {
        least = least.min(misfit_by_curve(&capture, curve, &seen, (floor, &model)));
    }
    let finished = settings.curves.is_empty() && subject.is_lossy();
    let fitted = Fitted {
        subject,
        capture: &capture,
        patches,
        seen: &seen,
        model,
        departure: finished.then(|| Departure::find(&refs, &model, floor)),
        code_floor: floor,
        spread: spread(least),
    };
    let figures = fitted.figures(settings);
    let beyond = fitted.carried_beyond(&figures);
    let doubts = [beyond, fitted.hidden_noise(), fitted.smoothed_noise()];
    (figures, Some(model), doubts.into_iter().flatten().collect())
}

/// Usable stops from a noise model alone: without interval, and without areas, because noise correlation is measured on a
/// wedge.
pub fn without_wedge(sources: &[Source], model: &NoiseModel, snrs: &[f64]) -> Vec<UsableStops> {
    let Some(capture) = Capture::of(sources) else {
        return Vec::new();
    };
    let model = &model.with_rounding(capture.codes());
    let (lowest, code) = capture.lowest();
    let figure = |&snr: &f64| {
        let dark = darkest(&capture, model, snr);
        let hidden = |d| capture.code_noise(model, d).is_some_and(|(n, b)| n < b);
        UsableStops {
            snr,
            stops: dark.map(|d| (capture.top() / d.max(lowest)).log2()),
            low95: None,
            high95: None,
            limited_by: match dark {
                Some(d) if d < capture.floor() => Limit::Clipping,
                Some(d) if d < lowest => Limit::File { code },
                Some(d) if hidden(d) => Limit::Compression,
                _ => Limit::Noise,
            },
            seen_stops: None,
            normalised: None,
        }
    };
    snrs.iter().map(figure).collect()
}

/// Smallest variance, squared 8-bit codes: 0.24 squared codes of the file's depth. Dark noise below it counts as lost in
/// quantisation by EMVA 1288. In a merge each frame's code has the variance of rounding at least.
fn code_floor(subject: &Subject, capture: &Capture) -> f64 {
    const LEAST: f64 = 0.24;
    match (subject.levels.is_some(), subject.bits) {
        (true, 8) => LEAST,
        (true, 16) => LEAST * (255.0f64 / 65535.0).powi(2),
        _ => NoiseModel::rounding(capture.codes()),
    }
}

/// Widening of the resampled variances for a significant reduced chi-squared (2 is the 99 % point for 18 patches).
fn spread(misfit: f64) -> f64 {
    if misfit > 2.0 { misfit.sqrt() } else { 1.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A linear 8-bit file without any noise of its own: rounding of 1/12 code squared gives SNR 10 at 10 / sqrt(12) = 2.89 codes, and
    /// SNR 1 below code 2, which the file does not tell (closed form).
    #[test]
    fn a_file_without_noise_holds_what_its_codes_hold() {
        let source = Source::new(ResponseCurve::linear(256, 1.0), 1.0);
        let none = NoiseModel {
            shot: 0.0,
            read_variance: 0.0,
            code_variance: 0.0,
        };
        let got = without_wedge(&[source], &none, &[1.0, 10.0]);
        assert_eq!(got[0].limited_by, Limit::File { code: 2 });
        assert!((got[0].stops.unwrap() - (255.0f64 / 2.0).log2()).abs() < 1e-6);
        assert_eq!(got[1].limited_by, Limit::Noise);
        let expected = (255.0 * 12f64.sqrt() / 10.0).log2();
        assert!((got[1].stops.unwrap() - expected).abs() < 1e-3, "{got:?}");
    }
}
