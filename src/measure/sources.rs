//! The frames of a bracket as sources of a usable range, and the uncertainty of their exposures.
use crate::bracket_planning;
use crate::bracket_planning::TakenBracket;
use crate::{MeasureSettings, Source};
use std::f64::consts::LN_2;
use stopspan_core::finding::Finding;
use stopspan_core::model::ExposureSource;
use stopspan_core::model::{RadianceMap, Recovered, main_channel};
use stopspan_core::model::{ResponseCurve, ResponseMethod};
use stopspan_core::results::Scene;

/// Level below which a curve is no more certain than frames agree: it is fitted to blocks that are lighter, and what a camera
/// does to its blacks it carries on as it was above.
const DARK: f64 = 16.0 / 255.0;

/// The curve of the main channel, in the dark no more certain than the frames' agreement shows it for neutral colours.
fn main_curve(recovered: &Recovered) -> ResponseCurve {
    let main = main_channel(recovered.response.curves.len());
    let mut curve = recovered.response.curves[main].clone();
    if let Some(seen) = &recovered.disagreement {
        let last = (curve.uncertainty_stops.len() - 1) as f64;
        let dark = curve.uncertainty_stops.iter_mut().enumerate();
        for (i, u) in dark.take_while(|(i, _)| *i as f64 / last < DARK) {
            let apart = seen.channels[main].systematic[0].at(i as f64 / last);
            *u = u.max(apart.max(0.0).sqrt() / LN_2);
        }
    }
    curve
}

/// The main channel of every frame as a source.
pub(crate) fn sources(recovered: &Recovered) -> Vec<Source> {
    let curve = main_curve(recovered);
    let main = main_channel(recovered.response.curves.len());
    let seen = recovered.disagreement.as_ref();
    let trusted_from = seen.map_or(0.0, |d| d.channels[main].trusted_from);
    let bracket = &recovered.bracket;
    (0..bracket.frames.len())
        .map(|j| Source {
            gain: bracket.gain(j),
            exposure_uncertainty: own_uncertainty(recovered, j),
            compression: bracket.frames[j].picture.compression,
            trusted_from,
            ..Source::new(curve.clone(), bracket.relative_exposure(j))
        })
        .collect()
}

/// True if the response was fitted. Its exponent then follows the span of the stated exposures, and an error of the span
/// scales every range instead of shifting single exposures.
fn fitted(recovered: &Recovered) -> bool {
    !matches!(
        recovered.response.method,
        ResponseMethod::Linear | ResponseMethod::Srgb
    )
}

/// Uncertainty of an exposure beyond that of the span, stops: all of it without a fitted response, else that of the
/// measured exposure.
fn own_uncertainty(recovered: &Recovered, index: usize) -> f64 {
    let exposure = &recovered.bracket.frames[index].exposure;
    if fitted(recovered) && exposure.source != ExposureSource::Measured {
        return 0.0;
    }
    exposure.used.standard_uncertainty
}

/// Settings for measuring the pictures of a bracket.
pub(crate) fn settings_for(recovered: &Recovered) -> MeasureSettings {
    let mut settings = MeasureSettings::default();
    let frames = &recovered.bracket.frames;
    if let (true, [first, .., last]) = (fitted(recovered), frames.as_slice()) {
        let (low, high) = (first.exposure.used, last.exposure.used);
        let span = high.value - low.value;
        let (u, v) = (low.standard_uncertainty, high.standard_uncertainty);
        // Exposures calibrated on a wedge share one exponent, and its densities have then been used.
        let pinned = frames
            .iter()
            .any(|f| f.exposure.source == ExposureSource::Wedge);
        let uncertainty = if pinned { u + v } else { u.hypot(v) };
        if pinned {
            settings.range.resampling.density_uncertainty = 0.0;
        }
        if span > 0.0 {
            settings.range.resampling.span_relative = (uncertainty / span).min(1.0);
        }
    }
    settings
}

/// Shares of the scene that the bracket records, by its own noise model.
pub(crate) fn scene(recovered: &Recovered, map: &RadianceMap) -> Option<(Scene, Vec<Finding>)> {
    let bracket = &recovered.bracket;
    let names: Vec<String> = bracket.frames.iter().map(|f| f.name()).collect();
    let curves = &recovered.response.curves;
    let tops: Vec<f64> = curves.iter().map(|c| c.exposure_at(c.clip_level)).collect();
    let time = bracket.reference_frame().settings.time;
    let taken = TakenBracket {
        names: &names,
        sources: &sources(recovered),
        tops: &tops,
        noise: &recovered.noise.channels[main_channel(recovered.noise.channels.len())],
        time: time.map(|t| t.0),
    };
    bracket_planning::scene(map, &taken, &MeasureSettings::default().range.snrs)
}
