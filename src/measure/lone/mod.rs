//! A finished picture of the wedge that belongs to no bracket: wedge, steps, tint, and range where the light is known.
//!
//! In reading order: linear light known without the wedge (`known_light`); the wedge found or stated, and carried on to the number of steps that are known (`carried_on`); the straight
//! line with a smooth deviation through known densities (`smooth_line`) and the curve made of it (`wedge_curve`); the colour of
//! the steps (`tint`).
mod carried_on;
mod known_light;
mod smooth_line;
mod tint;
mod wedge_curve;

pub use known_light::{KeptResponse, KnownLight, TakenAs, light_by_bracket};
pub use smooth_line::{Knot, SmoothLine};
pub use wedge_curve::{WedgeCurve, wedge_curve};

use crate::densities;
use crate::locate::{Located, WedgeRequest, locate};
use crate::wedge::patches;
use crate::{CurveEnd, MeasureSettings, Subject, find, measure};
use ndarray::{Array3, s};
use stopspan_core::Error;
use stopspan_core::finding::Finding;
use stopspan_core::model::colour::stated_colour;
use stopspan_core::model::{
    Clip, Homography, Picture, RadianceMap, ResponseCurve, file_name, main_channel,
};
use stopspan_core::raster::{Pixels, Point, Region};
use stopspan_core::results::{
    LinearLight, Patch, PictureKind, PictureMeasurement, Tint, WedgePlace,
};
use stopspan_core::units::srgb_exposure;

/// Standard uncertainty of a density without a stated one, density (common practice, no source).
const ASSUMED_DENSITY: f64 = 0.02;
/// Share of clipped pixels above which a step counts as clipped; the same as for resolved steps.
const CLIPPED: f64 = crate::levels::CLIPPED;
/// Share of black pixels from which a step counts as crushed; the same as for resolved steps.
const CRUSHED: f64 = crate::levels::CRUSHED;
/// SNR per pixel below which a step may have darker neighbours that were not found: the lower end of visibility by Rose
/// (1948).
const SEEN: f64 = 3.0;

/// A picture to be measured.
#[derive(Debug, Clone, Copy)]
pub struct LoneInput<'a> {
    /// Single shot or the camera's own HDR picture.
    pub kind: PictureKind,
    /// The decoded file.
    pub picture: &'a Picture,
    /// Clip and floor level, one a channel.
    pub clips: &'a [Clip],
    /// Linear light, where it is known without the wedge.
    pub known: Option<&'a KnownLight>,
    /// What is known of the wedge.
    pub request: &'a WedgeRequest,
}

/// What was measured on a picture.
#[derive(Debug, Clone)]
pub struct LoneMeasurement {
    /// How levels were taken back to linear light.
    pub light: LinearLight,
    /// The wedge.
    pub wedge: WedgePlace,
    /// Steps, patches and range.
    pub measured: PictureMeasurement,
    /// Steps with more than 1 % of their pixels at the clip level, 1 = lightest.
    pub clipped_steps: Vec<usize>,
    /// Steps with at least half of their pixels at the black floor.
    pub crushed_steps: Vec<usize>,
    /// Colour of every step; empty for a picture of one channel.
    pub tint: Vec<Tint>,
    /// Doubts about wedge and light.
    pub findings: Vec<Finding>,
}

/// Measures a picture on its wedge; without one gives the findings that say so.
///
/// # Errors
/// [`Error::Request`] where what is stated of the wedge does not fit the picture.
pub fn measure_lone(input: LoneInput) -> Result<Result<LoneMeasurement, Vec<Finding>>, Error> {
    let pixels = &input.picture.pixels;
    let curves = match input.known {
        Some(known) => clipped_at(&known.curves, input.clips),
        None => clipped_at(&[assumed_curve(pixels)], input.clips),
    };
    let (rows, columns, _) = pixels.dim();
    let map = light_to_search(&input, &curves);
    let channel = measured_channel(pixels).min(curves.len() - 1);
    let light = carried_on::Light {
        map: &map,
        top: curves[channel].exposure_at(curves[channel].clip_level) as f32 * 0.999,
    };
    let Located {
        place,
        counted,
        mut findings,
        ..
    } = carried_on::located(locate, &light, input.request)?;
    let region = place.as_ref().and_then(|place| {
        Subject::region_for(&place.corners, &Homography::identity(), rows, columns)
    });
    let (Some(place), Some(region)) = (place, region) else {
        return Ok(Err(findings));
    };
    if input.request.corners.is_none() {
        findings.extend(second_wedge(&map, &place));
    }
    drop(map);
    findings.retain(|f| !matches!(f, Finding::DensitiesFromMerge));
    let of_wedge = Wedge {
        place,
        region,
        counted: counted && input.request.least_steps() == 0,
    };
    Ok(Ok(on_wedge(&input, &curves, of_wedge, findings)))
}

/// The picture in linear light. Where the corners are stated nothing beyond them is looked at, and all else is left dark.
fn light_to_search(input: &LoneInput, curves: &[ResponseCurve]) -> RadianceMap {
    let (rows, columns, _) = input.picture.pixels.dim();
    let primaries = stated_colour(&input.picture.header).primaries;
    let stated = input
        .request
        .corners
        .and_then(|corners| Subject::region_for(&corners, &Homography::identity(), rows, columns));
    let Some(region) = stated else {
        let whole = Region {
            top: 0,
            left: 0,
            height: rows,
            width: columns,
        };
        return RadianceMap::of_radiance(subject(input, curves, whole).linear, primaries);
    };
    let around = subject(input, curves, region).linear;
    let mut light = Array3::zeros((rows, columns, around.dim().2));
    let place = s![region.rows(), region.columns(), ..];
    light.slice_mut(place).assign(&around);
    RadianceMap::of_radiance(light, primaries)
}

/// The wedge of a picture, and the part of the picture around it.
struct Wedge {
    place: WedgePlace,
    region: Region,
    counted: bool,
}

fn on_wedge(
    input: &LoneInput,
    curves: &[ResponseCurve],
    wedge: Wedge,
    mut findings: Vec<Finding>,
) -> LoneMeasurement {
    let place = wedge.place;
    let mut subject = subject(input, curves, wedge.region);
    let mut settings = MeasureSettings::default();
    let mut light = LinearLight::Srgb;
    let mut short = None;
    let base = &curves[measured_channel(&input.picture.pixels).min(curves.len() - 1)];
    if let Some(known) = input.known {
        light = known.light.clone();
        settings.range.resampling.span_relative = known.span_relative;
    } else if place.densities.is_some() {
        let samples = patches(&subject, &place).0;
        match wedge_curve(&samples, &place, base, ASSUMED_DENSITY) {
            Ok(found) => {
                let assumed: Vec<Patch> = samples.into_iter().map(|s| s.patch).collect();
                findings.extend(densities::doubt_in_assumed_light(&assumed));
                subject = subject.with_curve(&found.curve);
                subject.curve_end = CurveEnd::At(found.lowest);
                settings.range.curves = found.drawn;
                settings.range.resampling.density_uncertainty = 0.0;
                short = found.top_beyond_stops;
                light = found.light;
            }
            Err(reason) => findings.push(Finding::DensitiesNotUsed { reason }),
        }
    }
    let mut measured = measure(&[subject], &place, &settings)
        .iter()
        .next()
        .cloned()
        .unwrap_or_else(|| {
            PictureMeasurement::unmeasured(input.kind, file_name(&input.picture.file))
        });
    if let Some(beyond_stops) = short {
        wedge_curve::bounded_below(&mut measured);
        findings.push(Finding::ClipBeyondWedge { beyond_stops });
    }
    if place.densities.is_some() && input.known.is_some() {
        findings.extend(densities::doubt(&measured.patches));
    }
    if light == LinearLight::Srgb {
        without_stops(&mut measured);
    }
    findings.extend(light_finding(&light));
    if wedge.counted {
        findings.extend(may_go_on(&measured.patches));
        carried_on::share_steps(&mut measured, input.request.steps_of_run, &mut findings);
    }
    LoneMeasurement {
        clipped_steps: steps(&measured.patches, |p| p.clipped_share > CLIPPED),
        crushed_steps: steps(&measured.patches, |p| p.crushed_share >= CRUSHED),
        tint: tint::tints(input, curves, &measured.patches),
        light,
        wedge: place,
        measured,
        findings,
    }
}

fn subject(input: &LoneInput, curves: &[ResponseCurve], region: Region) -> Subject {
    let picture = input.picture;
    let name = file_name(&picture.file);
    Subject::of_picture(input.kind, &name, &picture.pixels, curves, region)
        .compressed(picture.compression)
}

/// The transfer function of IEC 61966-2-1, with an entry for each code of an 8-bit file.
fn assumed_curve(pixels: &Pixels) -> ResponseCurve {
    let entries = if pixels.bits() == 8 { 256 } else { 4096 };
    let last = (entries - 1) as f64;
    ResponseCurve {
        exposure: (0..entries)
            .map(|i| srgb_exposure(i as f64 / last))
            .collect(),
        ..ResponseCurve::linear(entries, 1.0)
    }
}

/// The curves with the clip and floor levels of the picture.
fn clipped_at(curves: &[ResponseCurve], clips: &[Clip]) -> Vec<ResponseCurve> {
    let channels = clips.len().max(1);
    let of = |channel: usize| {
        let mut curve = curves[channel.min(curves.len() - 1)].clone();
        if let Some(clip) = clips.get(channel) {
            curve.clip_level = clip.clip_level;
            curve.floor_level = clip.floor_level;
        }
        curve
    };
    (0..channels).map(of).collect()
}

fn steps(patches: &[Patch], wanted: impl Fn(&Patch) -> bool) -> Vec<usize> {
    let of = patches.iter().filter(|p| wanted(p));
    of.map(|p| p.step).collect()
}

/// Takes the figures in stops, and the doubts about them, out of a measurement in assumed light.
fn without_stops(measured: &mut PictureMeasurement) {
    measured.usable_stops.clear();
    measured.noise = None;
    let about_stops = |f: &Finding| {
        matches!(
            f,
            Finding::RangeBeyondWedge { .. } | Finding::FigureRefused { .. }
        )
    };
    measured.findings.retain(|f| !about_stops(f));
}

/// What the light was taken from, as a finding where figures lean on an assumption.
fn light_finding(light: &LinearLight) -> Option<Finding> {
    match light {
        LinearLight::Srgb => Some(Finding::LightAssumed),
        LinearLight::Wedge {
            density_uncertainty,
            uncertainty_assumed: true,
            ..
        } => Some(Finding::DensityUncertaintyAssumed {
            density: *density_uncertainty,
        }),
        _ => None,
    }
}

/// Finding for another wedge in view.
fn second_wedge(map: &RadianceMap, first: &WedgePlace) -> Option<Finding> {
    let other = find::another(&map.radiance, &first.corners)?;
    let middle = |of: fn(&Point) -> f64| other.corners.iter().map(of).sum::<f64>() / 4.0;
    Some(Finding::SecondWedge {
        steps: other.rows * other.columns,
        column_px: middle(|p| p.x),
        row_px: middle(|p| p.y),
    })
}

/// Finding for a darkest step so deep in the noise, or so near black, that a further one may not have been found.
fn may_go_on(patches: &[Patch]) -> Option<Finding> {
    let last = patches.last()?;
    let lost = last.snr < SEEN || last.crushed_share >= CRUSHED;
    lost.then_some(Finding::WedgeMayGoOn {
        step: last.step,
        snr: last.snr,
    })
}

/// Index of the channel of single-channel figures.
fn measured_channel(pixels: &Pixels) -> usize {
    main_channel(pixels.channels())
}
