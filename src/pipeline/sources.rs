//! The frames of a bracket as sources of range, and how well their exposures are known.
use super::Prepared;
use stopspan_core::finding::Finding;
use stopspan_core::model::ExposureSource;
use stopspan_core::model::RadianceMap;
use stopspan_core::model::ResponseMethod;
use stopspan_core::results::Scene;
use stopspan_measure::bracket_planning;
use stopspan_measure::bracket_planning::TakenBracket;
use stopspan_measure::{MeasureSettings, Source};

/// The measuring channel of every frame.
pub(super) fn sources(prepared: &Prepared) -> Vec<Source> {
    let main = prepared.response.curves.len() / 2;
    let bracket = &prepared.bracket;
    (0..bracket.frames.len())
        .map(|j| Source {
            gain: stopspan_merge::gain(bracket, j),
            exposure_uncertainty: own_uncertainty(prepared, j),
            compression: bracket.frames[j].picture.compression,
            ..Source::new(
                prepared.response.curves[main].clone(),
                bracket.relative_exposure(j),
            )
        })
        .collect()
}

/// True where the response was fitted: then its exponent follows the span of the stated exposures, and an error of the
/// span scales every range instead of moving single exposures.
fn fitted(prepared: &Prepared) -> bool {
    !matches!(
        prepared.response.method,
        ResponseMethod::Linear | ResponseMethod::Srgb
    )
}

/// What the span does not take up: all of an exposure where no response was fitted, else that of the measured ones.
fn own_uncertainty(prepared: &Prepared, index: usize) -> f64 {
    let exposure = &prepared.bracket.frames[index].exposure;
    if fitted(prepared) && exposure.source != ExposureSource::Measured {
        return 0.0;
    }
    exposure.used.standard_uncertainty
}

/// How the pictures of a bracket are measured.
pub(super) fn settings_for(prepared: &Prepared) -> MeasureSettings {
    let mut settings = MeasureSettings::default();
    let frames = &prepared.bracket.frames;
    if let (true, [first, .., last]) = (fitted(prepared), frames.as_slice()) {
        let (low, high) = (first.exposure.used, last.exposure.used);
        let span = high.value - low.value;
        let (u, v) = (low.standard_uncertainty, high.standard_uncertainty);
        // Exposures that a wedge has pinned share one exponent, and its densities have then been used.
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

/// What the bracket holds of its scene, by its own noise model.
pub(super) fn scene(prepared: &Prepared, map: &RadianceMap) -> Option<(Scene, Vec<Finding>)> {
    let bracket = &prepared.bracket;
    let names: Vec<String> = bracket.frames.iter().map(|f| f.name()).collect();
    let curves = &prepared.response.curves;
    let tops: Vec<f64> = curves.iter().map(|c| c.exposure_at(c.clip_level)).collect();
    let time = bracket.frames[bracket.reference].settings.time;
    let taken = TakenBracket {
        names: &names,
        sources: &sources(prepared),
        tops: &tops,
        noise: &prepared.noise.channels[prepared.noise.channels.len() / 2],
        time: time.map(|t| t.0),
    };
    bracket_planning::scene(map, &taken, &MeasureSettings::default().range.snrs)
}
