//! Calibration of a bracket against known densities: span and response, light over the wedge, glare.
use super::{CalibrationSettings, FlatField, calibrate, scene_ranges};
use crate::locate::Located;
use crate::{Source, bracket, range};
use stopspan_core::finding::Finding;
use stopspan_core::model::{ExposureSource, Recovered, ResponseMethod, main_channel};
use stopspan_core::results::Calibration;
use stopspan_core::results::{Limit, Measurement, PictureMeasurement, WedgePlace};
use stopspan_core::units::Estimate;
use stopspan_core::{Error, Setting};

/// Standard uncertainty of a density without a stated one, density (common practice, no source).
const ASSUMED: f64 = 0.02;

/// Result of calibrating against known densities.
#[derive(Debug, Default)]
pub struct CalibrationOutcome {
    /// The calibration; `None` without known densities.
    pub calibration: Option<Calibration>,
    /// Exponent by which to correct response and exposures (see [`corrected`]); `None` for no correction.
    pub exponent: Option<Estimate>,
    /// Relative illumination of each step, lightest first, to divide out.
    pub light: Option<Vec<f64>>,
    /// Doubts.
    pub findings: Vec<Finding>,
}

/// Fits the known densities of a wedge to the light that the frames recorded on it, with the fall-off of the light from a
/// flat field if there is one.
///
/// # Errors
/// [`Error::Request`] for a flat field that does not fit the bracket.
pub fn by_densities(
    frames: &Recovered,
    located: &Located,
    flat: Option<&FlatField>,
) -> Result<CalibrationOutcome, Error> {
    let Some(place) = &located.place else {
        return Ok(CalibrationOutcome::default());
    };
    let flat = flat
        .map(|flat| flat_light(frames, place, flat))
        .transpose()?;
    if place.densities.is_none() {
        let findings = flat.as_deref().map(uneven).into_iter().collect();
        return Ok(CalibrationOutcome {
            light: flat,
            findings,
            ..CalibrationOutcome::default()
        });
    }
    let subjects = bracket::frames(frames, place);
    let asked = CalibrationSettings {
        assumed_uncertainty: ASSUMED,
        flat: flat.clone(),
        span_stops: span(frames),
        open_exponent: !matches!(
            frames.response.method,
            ResponseMethod::Linear | ResponseMethod::Srgb
        ),
    };
    let concluded = match calibrate(&subjects, place, &asked) {
        Ok(concluded) => concluded,
        Err(reason) => {
            return Ok(CalibrationOutcome {
                light: flat,
                findings: vec![Finding::DensitiesNotUsed { reason }],
                ..CalibrationOutcome::default()
            });
        }
    };
    let found = &concluded.calibration.exponent;
    let exponent = found.used.then(|| {
        let fitted = found.exponent.standard_uncertainty;
        Estimate::new(found.exponent.value, fitted.hypot(found.light_uncertainty))
    });
    Ok(CalibrationOutcome {
        calibration: Some(concluded.calibration),
        exponent,
        light: concluded.light,
        findings: concluded.findings,
    })
}

/// Largest minus smallest used exposure, stops.
fn span(frames: &Recovered) -> f64 {
    let used = || frames.bracket.frames.iter().map(|f| f.exposure.used.value);
    used().fold(f64::MIN, f64::max) - used().fold(f64::INFINITY, f64::min)
}

fn uneven(light: &[f64]) -> Finding {
    let (low, high) = light
        .iter()
        .fold((f64::INFINITY, 0.0f64), |(l, h), &v| (l.min(v), h.max(v)));
    Finding::LightEvened {
        fall_off_stops: (high / low).log2(),
    }
}

fn flat_light(frames: &Recovered, place: &WedgePlace, flat: &FlatField) -> Result<Vec<f64>, Error> {
    let (file, pixels) = (flat.file.display(), &flat.pixels);
    let bracket = &frames.bracket;
    let reference = &bracket.reference_frame().picture.pixels;
    let ((rows, columns, _), (own_rows, own_columns, _)) = (pixels.dim(), reference.dim());
    if (rows, columns) != (own_rows, own_columns) {
        let problem = format!(
            "{file}: {columns} x {rows} pixels, but the frames have {own_columns} x {own_rows}; take it with the same camera settings"
        );
        return Err(Error::request(Setting::FlatField, problem));
    }
    let curve = &frames.response.curves[main_channel(frames.response.curves.len())];
    flat.factors(place, curve).ok_or_else(|| {
        let problem = format!(
            "{file}: it is clipped or black where the wedge lies; take it with less or more exposure"
        );
        Error::request(Setting::FlatField, problem)
    })
}

/// The bracket with response and exposures raised to the power 1/p (Grossberg and Nayar 2003), so that one stop of the map
/// is one stop of light. The noise model belongs to the response before and must be estimated again.
pub fn corrected(frames: Recovered, exponent: Estimate) -> Recovered {
    let mut frames = frames;
    let p = exponent.value;
    for curve in &mut frames.response.curves {
        for value in &mut curve.exposure {
            *value = value.max(0.0).powf(1.0 / p);
        }
        curve.uncertainty_stops.iter_mut().for_each(|u| *u /= p);
    }
    frames.response.residual_stops /= p;
    let bracket = &mut frames.bracket;
    let zero = bracket.reference_frame().exposure.used.value;
    for frame in &mut bracket.frames {
        let used = frame.exposure.used;
        let apart = (used.value - zero) / p;
        let uncertainty =
            (used.standard_uncertainty / p).hypot(apart * exponent.standard_uncertainty / p);
        frame.exposure.used = Estimate::new(zero + apart, uncertainty);
        frame.exposure.source = ExposureSource::Wedge;
        for b in &mut frame.balance {
            *b = Estimate::new(b.value / p, b.standard_uncertainty / p);
        }
    }
    bracket
        .findings
        .retain(|f| !matches!(f, Finding::SpanFromMetadata { .. }));
    for pair in &mut frames.check.pairs {
        pair.used_stops /= p;
        pair.measured = pair
            .measured
            .map(|m| Estimate::new(m.value / p, m.standard_uncertainty / p));
    }
    for closure in &mut frames.check.closures {
        let c = closure.closure;
        closure.closure = Estimate::new(c.value / p, c.standard_uncertainty / p);
    }
    frames
}

/// Adds the merge's ranges with and without glare to the calibration, and marks the usable ranges whose dark end is the
/// glare: light below it does not come from its position in the scene, whatever the noise or compression.
pub(crate) fn ranges_under_glare(
    calibration: &mut Calibration,
    frames: &Recovered,
    pictures: &mut Measurement,
) {
    let sources = crate::sources::sources(frames);
    let Some((merge, model)) = pictures
        .merge
        .as_ref()
        .and_then(|m| m.noise.map(|noise| (m, noise)))
    else {
        return;
    };
    let Some(capture) = range::Capture::of(&sources) else {
        return;
    };
    let share = calibration.glare.share;
    // Light at density 0: ratio of the light of the patches to the value expected from densities and glare.
    let whites: Vec<f64> = merge
        .patches
        .iter()
        .filter(|p| p.clipped_share <= 0.01 && p.linear > 0.0 && p.snr >= 3.0)
        .filter_map(|p| Some(p.linear / (10f64.powf(-p.density?) + share)))
        .collect();
    let Some(white) = stopspan_core::statistics::robust::median(&whites) else {
        return;
    };
    let snrs = [1.0, 3.0, 10.0, 40.0];
    calibration.glare.ranges = scene_ranges(&capture, &model, white * share, &snrs);
    if !calibration.glare.detected {
        return;
    }
    let glare = (white * share).max(f64::MIN_POSITIVE);
    for frame in &mut pictures.frames {
        if let Some(top) = top_of(frames, &sources, &frame.file) {
            limit_by_glare(frame, (top / glare).log2());
        }
    }
    if let Some(merge) = &mut pictures.merge {
        limit_by_glare(merge, (capture.top() / glare).log2());
    }
}

/// Marks glare as the limit of every range that is longer than the glare allows.
fn limit_by_glare(picture: &mut PictureMeasurement, ceiling: f64) {
    for range in &mut picture.usable_stops {
        if range.stops.is_some_and(|s| s > ceiling) {
            range.limited_by = Limit::Glare;
        }
    }
}

/// Radiance at which a frame clips.
fn top_of(frames: &Recovered, sources: &[Source], file: &str) -> Option<f64> {
    let index = frames
        .bracket
        .frames
        .iter()
        .position(|f| f.name() == file)?;
    sources.get(index).map(Source::top)
}
