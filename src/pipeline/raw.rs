//! Raw mosaics on their way through the stages: merged as planes where the bracket lies in register, developed for measuring.
use super::{Prepared, Settings};
use stopspan_align as align;
use stopspan_core::finding::Finding;
use stopspan_core::model::Bracket;
use stopspan_core::model::LinearScales;
use stopspan_core::model::Registration;
use stopspan_core::model::Response;
use stopspan_core::model::{Motion, Noise, NoiseModel};
use stopspan_core::raster::{Mosaic, Point};
use stopspan_core::results::RawComparison;
use stopspan_frames as frames;
use stopspan_frames::BracketPlan;
use stopspan_measure as measure;
use stopspan_merge::{MapSource, Merger, noise_profile};
use stopspan_response as response;

/// A bracket of planes, half as wide and high as the frames, from which the map is merged before it is demosaiced.
pub struct Planes {
    mosaic: Mosaic,
    bracket: Bracket,
    response: Response,
    noise: Noise,
    motion: Option<Motion>,
}

/// The map of a bracket: through its planes where it has some.
pub(super) fn map_source(prepared: &Prepared) -> MapSource<'_> {
    if let Some(p) = &prepared.planes {
        let merger = Merger::new(&p.bracket, &p.response, &p.noise);
        let merger = merger.leaving_out(p.motion.as_ref());
        return MapSource::of_planes(merger, p.mosaic, dark(&p.bracket, &p.noise));
    }
    match frames::mosaic_of(&prepared.bracket) {
        Some(mosaic) => {
            let dark = dark(&prepared.bracket, &prepared.noise);
            MapSource::of_planes(prepared.merger(), mosaic, dark)
        }
        None => MapSource::plain(prepared.merger()),
    }
}

/// Standard deviation of the darkest merged samples: the longest frame's.
fn dark(bracket: &Bracket, noise: &Noise) -> f32 {
    let longest = (0..bracket.frames.len())
        .map(|j| bracket.relative_exposure(j))
        .fold(0.0, f64::max);
    let read = noise.channels.get(1).map_or(0.0, |n| n.read_variance);
    (read.sqrt() / longest.max(f64::MIN_POSITIVE)) as f32
}

/// Corners of the frames nearer than this to the reference's are in register to the pixel, pixels of the frame.
const TO_THE_PIXEL: f64 = 0.1;

/// Registers a bracket, if that is wanted. Raw mosaics are split into planes where they lie in register to the pixel; where
/// they do not they are developed to three channels first, and registered as those.
pub(super) fn register(mut bracket: Bracket, wanted: bool) -> Registered {
    let mut noise = None;
    if let Some(mosaic) = frames::mosaic_of(&bracket) {
        frames::split(&mut bracket);
        // Planes have half the pixels of a frame.
        let still = wanted.then(|| align::lying_still(&bracket, TO_THE_PIXEL / 2.0));
        if let Some(found) = still.flatten() {
            return Registered::new(bracket, Some(found));
        }
        let found = wanted.then(|| align::register(&bracket));
        let Some(found) = found else {
            return Registered::new(bracket, None);
        };
        if in_register(&bracket, &found) {
            // Frames that were not found at all are taken out as ever.
            bracket = align::apply(bracket, &found);
            bracket.frames.iter_mut().for_each(|f| f.transform = None);
            return Registered::new(bracket, Some(found));
        }
        // Pixels of the same place do not see the same light here, so that black cannot be held against them: moved frames say so.
        for (frame, placement) in bracket.frames.iter_mut().zip(&found.placements) {
            frame.transform = Some(placement.transform);
        }
        let clips = frames::clip_levels(&bracket);
        let scales = frames::linear_scales(&bracket);
        // Demosaicing smooths noise, and single frames show texture with it: what the file states is nearer.
        noise = scales.as_ref().and_then(|scales| {
            let response = response::known(&bracket, &clips, scales);
            noise_profile::stated(&bracket, &response)
        });
        if noise.is_some() {
            bracket.findings.push(Finding::NoiseAsStated);
        }
        if let Some(LinearScales { scales, findings }) = scales {
            bracket.findings.extend(findings);
            bracket.findings.push(Finding::DemosaicedFirst);
            frames::develop(&mut bracket, mosaic, &scales, &clips);
        }
    }
    let found = wanted.then(|| align::register(&bracket));
    if let Some(found) = &found {
        bracket = align::apply(bracket, found);
    }
    let noise = noise.map(|planes| Noise {
        channels: of_colours(&planes),
        groups: 0,
        assumed: false,
    });
    Registered {
        bracket,
        registration: found,
        noise,
    }
}

/// A registered bracket.
pub(super) struct Registered {
    pub bracket: Bracket,
    pub registration: Option<Registration>,
    /// Noise that the file states, where the frames were developed before they came into register.
    pub noise: Option<Noise>,
}

impl Registered {
    fn new(bracket: Bracket, registration: Option<Registration>) -> Self {
        Registered {
            bracket,
            registration,
            noise: None,
        }
    }
}

/// True if no frame was found anywhere else than where the reference is.
fn in_register(bracket: &Bracket, registration: &Registration) -> bool {
    let (rows, columns, _) = bracket.frames[bracket.reference].picture.pixels.dim();
    let corners = [(0, 0), (0, columns), (rows, 0), (rows, columns)].map(|(y, x)| Point {
        x: x as f64,
        y: y as f64,
    });
    registration.placements.iter().all(|p| {
        let near = |c: &Point| {
            let at = p.transform.apply(*c);
            // Planes have half the pixels of a frame.
            at.is_some_and(|at| 2.0 * (at.x - c.x).hypot(at.y - c.y) <= TO_THE_PIXEL)
        };
        !p.found || corners.iter().all(near)
    })
}

/// Develops the frames of a bracket whose planes were prepared, for all that looks at frames one by one; the planes are kept
/// for the map. Other brackets come back as they are.
pub(super) fn developed(mut prepared: Prepared) -> Prepared {
    let Some(mosaic) = frames::mosaic_of(&prepared.bracket) else {
        return prepared;
    };
    let Some(LinearScales { scales, .. }) = frames::linear_scales(&prepared.bracket) else {
        return prepared;
    };
    let planes = Planes {
        mosaic,
        bracket: prepared.bracket.clone(),
        response: prepared.response.clone(),
        noise: prepared.noise.clone(),
        motion: prepared.motion.take(),
    };
    frames::develop(&mut prepared.bracket, mosaic, &scales, &prepared.clips);
    prepared.clips = frames::clip_levels(&prepared.bracket);
    if let Some(scales) = frames::linear_scales(&prepared.bracket) {
        prepared.response = response::known(&prepared.bracket, &prepared.clips, &scales);
    }
    prepared.noise.channels = of_colours(&planes.noise.channels);
    prepared.planes = Some(Box::new(planes));
    prepared
}

/// Holds the noise against what a raw file states of it, as long as no frame was moved or developed.
pub(super) fn noise_as_stated(
    bracket: &Bracket,
    response: &Response,
    noise: &mut Noise,
    doubts: &mut Vec<Finding>,
) {
    if stopspan_core::model::raw_of(bracket).is_none_or(|raw| raw.settled) {
        return;
    }
    if let Some(stated) = noise_profile::stated(bracket, response) {
        let was_assumed = noise.assumed;
        let found = noise_profile::hold_against(noise, &stated);
        if was_assumed {
            doubts.retain(|d| !matches!(d, Finding::NoiseAssumed { .. }));
        }
        doubts.extend(found);
    }
}

/// Holds the frames against raw files of the same shots, if there are any that can be read; where they cannot, their own
/// bracket says why.
pub(super) fn beside(
    plan: &BracketPlan,
    prepared: &Prepared,
    settings: &Settings,
) -> Option<RawComparison> {
    let mut raw = frames::load(&plan.of_raw()?, &settings.overrides).ok()?;
    frames::split(&mut raw);
    let same_shot = plan.frames.iter();
    let same_shot = same_shot.filter_map(|f| Some((f.file.clone(), f.raw.clone()?)));
    let same_shot: Vec<_> = same_shot.collect();
    let scales = frames::linear_scales(&raw)?.scales;
    let clips = frames::clip_levels(&raw);
    let raw = (&raw, &clips[..], &scales[..]);
    measure::compare_with_raw(&prepared.bracket, &prepared.response, raw, &same_shot)
}

/// Noise of red, green and blue photosites from that of the four planes.
fn of_colours(planes: &[NoiseModel]) -> Vec<NoiseModel> {
    match planes {
        [red, one, other, blue] => {
            let mean = |f: fn(&NoiseModel) -> f64| 0.5 * (f(one) + f(other));
            let green = NoiseModel {
                shot: mean(|n| n.shot),
                read_variance: mean(|n| n.read_variance),
                code_variance: mean(|n| n.code_variance),
            };
            vec![*red, green, *blue]
        }
        other => other.to_vec(),
    }
}
