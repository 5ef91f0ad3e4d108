//! Known densities brought to bear: on span and response, on the light over the wedge, on glare.
use super::locating::Located;
use super::{Prepared, Settings, measuring};
use stopspan_core::finding::Finding;
use stopspan_core::model::ExposureSource;
use stopspan_core::model::ResponseMethod;
use stopspan_core::results::Calibration;
use stopspan_core::results::{Limit, PictureKind, PictureMeasurement, WedgePlace};
use stopspan_core::units::Estimate;
use stopspan_core::{Error, Setting};
use stopspan_formats::read_picture;
use stopspan_measure::calibrate::{CalibrationSettings, FlatField, calibrate, scene_ranges};
use stopspan_measure::{Source, range};
use stopspan_merge::noise;

/// Standard uncertainty of a density where none is stated (common practice, no source).
const ASSUMED: f64 = 0.02;

/// What the densities said.
#[derive(Debug, Default)]
pub(super) struct Known {
    /// The figures; `None` without known densities.
    pub calibration: Option<Calibration>,
    /// Relative light at each step to be divided out.
    pub light: Option<Vec<f64>>,
    /// Doubts.
    pub findings: Vec<Finding>,
}

/// Fits known densities, and corrects exposures and response of the bracket where they say so; then [`Known`] says that the
/// bracket must be merged again.
///
/// # Errors
/// Those of reading a flat field, or one that does not fit the bracket.
pub(super) fn by_densities(
    prepared: &mut Prepared,
    located: &Located,
    settings: &Settings,
) -> Result<Known, Error> {
    let Some(place) = &located.place else {
        return Ok(Known::default());
    };
    let flat = flat_light(prepared, place, settings)?;
    if place.densities.is_none() {
        let findings = flat.as_deref().map(uneven).into_iter().collect();
        return Ok(Known {
            calibration: None,
            light: flat,
            findings,
        });
    }
    let frames = measuring::frames(prepared, place);
    let asked = CalibrationSettings {
        assumed_uncertainty: ASSUMED,
        flat: flat.clone(),
        span_stops: span(prepared),
        open_exponent: !matches!(
            prepared.response.method,
            ResponseMethod::Linear | ResponseMethod::Srgb
        ),
    };
    let concluded = match calibrate(&frames, place, &asked) {
        Ok(concluded) => concluded,
        Err(reason) => {
            return Ok(Known {
                calibration: None,
                light: flat,
                findings: vec![Finding::DensitiesNotUsed { reason }],
            });
        }
    };
    let exponent = &concluded.calibration.exponent;
    if exponent.used {
        let whole = exponent
            .exponent
            .standard_uncertainty
            .hypot(exponent.light_uncertainty);
        correct(prepared, Estimate::new(exponent.exponent.value, whole));
    }
    Ok(Known {
        calibration: Some(concluded.calibration),
        light: concluded.light,
        findings: concluded.findings,
    })
}

/// Largest less smallest used exposure, stops.
fn span(prepared: &Prepared) -> f64 {
    let used = || {
        prepared
            .bracket
            .frames
            .iter()
            .map(|f| f.exposure.used.value)
    };
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

fn flat_light(
    prepared: &Prepared,
    place: &WedgePlace,
    settings: &Settings,
) -> Result<Option<Vec<f64>>, Error> {
    let Some(file) = &settings.wedge.flat_field else {
        return Ok(None);
    };
    let pixels = read_picture(file, &settings.overrides.limits)?.pixels;
    let reference = &prepared.bracket.frames[prepared.bracket.reference]
        .picture
        .pixels;
    let ((rows, columns, _), (own_rows, own_columns, _)) = (pixels.dim(), reference.dim());
    if (rows, columns) != (own_rows, own_columns) {
        let problem = format!(
            "{}: {columns} x {rows} pixels, but the frames have {own_columns} x {own_rows}; take it with the same camera settings",
            file.display()
        );
        return Err(Error::request(Setting::FlatField, problem));
    }
    let curve = &prepared.response.curves[prepared.response.curves.len() / 2];
    match (FlatField { pixels }).factors(place, curve) {
        Some(light) => Ok(Some(light)),
        None => Err(Error::request(
            Setting::FlatField,
            format!(
                "{}: it is clipped or black where the wedge lies; take it with less or more exposure",
                file.display()
            ),
        )),
    }
}

/// Takes the exponent out of response and exposures: g and k go to their 1/p-th power (Grossberg and Nayar 2003), so that one
/// stop of the map is one stop of light.
fn correct(prepared: &mut Prepared, exponent: Estimate) {
    let p = exponent.value;
    for curve in &mut prepared.response.curves {
        for value in &mut curve.exposure {
            *value = value.max(0.0).powf(1.0 / p);
        }
        curve.uncertainty_stops.iter_mut().for_each(|u| *u /= p);
    }
    prepared.response.residual_stops /= p;
    let bracket = &mut prepared.bracket;
    let zero = bracket.frames[bracket.reference].exposure.used.value;
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
    for pair in &mut prepared.check.pairs {
        pair.used_stops /= p;
        pair.measured = pair
            .measured
            .map(|m| Estimate::new(m.value / p, m.standard_uncertainty / p));
    }
    for closure in &mut prepared.check.closures {
        let c = closure.closure;
        closure.closure = Estimate::new(c.value / p, c.standard_uncertainty / p);
    }
    let (noise, _) = noise::estimate(bracket, &prepared.response, &prepared.clips);
    prepared.noise = noise;
}

/// Sets the range of the merge with and without the glare's light into the calibration, and says of every frame's and the
/// merge's usable range where glare is what lies at its dark end: light below it does not come from its place in the scene,
/// whatever noise or compression leave.
pub(super) fn ranges_under_glare(
    calibration: &mut Calibration,
    prepared: &Prepared,
    pictures: &mut [PictureMeasurement],
) {
    let sources = super::sources::sources(prepared);
    let merge = pictures.iter().find(|p| p.kind == PictureKind::Merge);
    let Some((merge, model)) = merge.and_then(|m| m.noise.map(|noise| (m, noise))) else {
        return;
    };
    let Some(capture) = range::Capture::of(&sources) else {
        return;
    };
    let share = calibration.glare.share;
    // Light of density 0: what the patches hold against what the densities and the glare say.
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
    for picture in pictures {
        let top = match picture.kind {
            PictureKind::Merge => Some(capture.top()),
            PictureKind::Frame => top_of(prepared, &sources, &picture.file),
            PictureKind::CameraHdr | PictureKind::Rendered => None,
        };
        let Some(ceiling) = top.map(|top| (top / glare).log2()) else {
            continue;
        };
        for range in &mut picture.usable_stops {
            if range.stops.is_some_and(|s| s > ceiling) {
                range.limited_by = Limit::Glare;
            }
        }
    }
}

/// Radiance at which a frame clips.
fn top_of(prepared: &Prepared, sources: &[Source], file: &str) -> Option<f64> {
    let index = prepared
        .bracket
        .frames
        .iter()
        .position(|f| f.name() == file)?;
    sources.get(index).map(Source::top)
}
