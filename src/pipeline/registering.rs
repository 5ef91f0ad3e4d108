//! Raw mosaics on their way through the stages: merged as planes where the bracket lies in register, demosaiced for measuring.
use super::Settings;
use stopspan_align as align;
use stopspan_core::Error;
use stopspan_core::error::BracketProblem;
use stopspan_core::finding::Finding;
use stopspan_core::model::{
    Bracket, FileDigest, LinearScales, Noise, NoiseSource, Recovered, Registered, Registration,
    Samples,
};
use stopspan_core::raster::{Mosaic, Point, Transform};
use stopspan_core::results::RawComparison;
use stopspan_frames as frames;
use stopspan_frames::BracketPlan;
use stopspan_measure as measure;
use stopspan_merge::noise_profile;
use stopspan_response as response;

/// Corners of the frames nearer than this to the reference's are in register to the pixel, pixels of the frame.
const TO_THE_PIXEL: f64 = 0.1;

/// Registers a bracket, if that is wanted. Raw mosaics are split into planes where they lie in register to the pixel; where
/// they do not they are demosaiced first, and registered as pictures.
pub(super) fn register(mut bracket: Bracket, wanted: bool) -> Registered {
    let files = digests(&bracket);
    let Some(mosaic) = frames::mosaic_of(&bracket) else {
        return register_pictures(bracket, files, wanted, None);
    };
    frames::split(&mut bracket);
    let planes = |bracket, registration| Registered {
        bracket,
        samples: Samples::Planes(mosaic),
        registration,
        stated_noise: None,
        files: files.clone(),
    };
    if !wanted {
        return planes(bracket, None);
    }
    // Planes have half the pixels of a frame.
    let near = TO_THE_PIXEL / 2.0;
    if let Some(found) = align::register_stationary(&bracket, near) {
        return planes(bracket, Some(found));
    }
    let found = align::register(&bracket);
    if align::in_register(&bracket, &found, near) {
        // Frames that were not found at all are taken out as ever.
        let (mut bracket, found) = align::apply(bracket, found);
        bracket.frames.iter_mut().for_each(|f| f.transform = None);
        return planes(bracket, Some(found));
    }
    let stated = demosaic_first(&mut bracket, mosaic, &found);
    register_pictures(bracket, files, wanted, stated)
}

/// Largest displacement of a corner within one view, in the longer side of the frame, and largest change of scale (judgement: a hand
/// that holds still moves less, another camera is farther off).
const ONE_VIEW: (f64, f64) = (0.05, 0.015);

/// Checks that pictures that nothing but their size makes a bracket show one view: those of several cameras do not.
///
/// # Errors
/// [`BracketProblem::OtherViews`] where a corner or the scale of a frame differs more than [`ONE_VIEW`] from the reference frame's.
pub(super) fn check_view(registered: &Registered) -> Result<(), Error> {
    let bracket = &registered.bracket;
    let (rows, columns, _) = bracket.reference_frame().picture.pixels.dim();
    let middle = Point {
        x: columns as f64 / 2.0,
        y: rows as f64 / 2.0,
    };
    let differs = |transform: &Transform| {
        let scale = transform.scale(middle).unwrap_or(f64::INFINITY);
        align::farthest_corner(transform, (rows, columns)) > ONE_VIEW.0 * rows.max(columns) as f64
            || (scale - 1.0).abs() > ONE_VIEW.1
    };
    let mut transforms = bracket.frames.iter().filter_map(|f| f.transform.as_ref());
    match transforms.any(differs) {
        true => Err(Error::Bracket {
            files: bracket
                .frames
                .iter()
                .map(|f| f.picture.file.clone())
                .collect(),
            problem: BracketProblem::OtherViews,
        }),
        false => Ok(()),
    }
}

fn register_pictures(
    mut bracket: Bracket,
    files: Vec<FileDigest>,
    wanted: bool,
    stated_noise: Option<Noise>,
) -> Registered {
    let mut registration = None;
    if wanted {
        let found = align::register(&bracket);
        let (in_register, of_them) = align::apply(bracket, found);
        (bracket, registration) = (in_register, Some(of_them));
    }
    Registered {
        samples: frames::samples(&bracket),
        bracket,
        registration,
        stated_noise,
        files,
    }
}

/// Demosaics frames whose planes do not lie in register, and gives the noise that the file states: demosaicing smooths noise, and
/// single frames show texture with it.
fn demosaic_first(bracket: &mut Bracket, mosaic: Mosaic, found: &Registration) -> Option<Noise> {
    // Pixels of the same place do not see the same light here, so that black cannot be held against them: moved frames say so.
    for (frame, placement) in bracket.frames.iter_mut().zip(&found.placements) {
        frame.transform = Some(placement.transform);
    }
    let clips = frames::clip_levels(bracket);
    let scales = frames::linear_scales(bracket)?;
    let response = response::known(bracket, &clips, &scales);
    let stated = noise_profile::stated(bracket, &response);
    if stated.is_some() {
        bracket.findings.push(Finding::NoiseAsStated);
    }
    let LinearScales { scales, findings } = scales;
    bracket.findings.extend(findings);
    bracket.findings.push(Finding::DemosaicedFirst);
    frames::develop(bracket, mosaic, &scales, &clips);
    stated.map(|planes| Noise {
        channels: noise_profile::of_colours(&planes),
        groups: 0,
        source: NoiseSource::StatedByFile,
    })
}

/// The frames of a bracket for all that looks at them one by one: demosaiced where they are planes.
pub(super) fn demosaiced(recovered: Recovered) -> Recovered {
    let Samples::Planes(mosaic) = recovered.samples else {
        return recovered;
    };
    let Some(scales) = frames::linear_scales(&recovered.bracket) else {
        return recovered;
    };
    let Recovered {
        mut bracket,
        clips,
        response,
        mut noise,
        ..
    } = recovered;
    frames::develop(&mut bracket, mosaic, &scales.scales, &clips);
    let clips = frames::clip_levels(&bracket);
    let response = match frames::linear_scales(&bracket) {
        Some(scales) => response::known(&bracket, &clips, &scales),
        None => response,
    };
    noise.channels = noise_profile::of_colours(&noise.channels);
    Recovered {
        bracket,
        samples: Samples::Pictures,
        clips,
        response,
        noise,
        disagreement: None,
        motion: None,
        check: recovered.check,
        registration: recovered.registration,
        files: recovered.files,
    }
}

/// Compares the frames with raw files of the same shots, if there are any that can be read; where they cannot, their own
/// bracket says why.
pub(super) fn raw_beside(
    plan: &BracketPlan,
    finished: &Recovered,
    settings: &Settings,
) -> Option<RawComparison> {
    let mut raw = frames::load(&plan.of_raw()?, &settings.overrides).ok()?;
    frames::split(&mut raw);
    let same_shot = plan.frames.iter();
    let same_shot = same_shot.filter_map(|f| Some((f.file.clone(), f.raw.clone()?)));
    let same_shot: Vec<_> = same_shot.collect();
    let scales = frames::linear_scales(&raw)?.scales;
    let clips = frames::clip_levels(&raw);
    let raw = measure::RawBracket {
        bracket: &raw,
        clips: &clips,
        scales: &scales,
    };
    measure::compare_with_raw(&finished.bracket, &finished.response, &raw, &same_shot)
}

/// SHA-256 of the files a bracket was decoded from.
fn digests(bracket: &Bracket) -> Vec<FileDigest> {
    let frames = bracket.frames.iter().map(|f| &f.picture);
    frames
        .chain(bracket.camera_hdr.iter().map(|h| &h.picture))
        .filter_map(|p| {
            Some(FileDigest {
                file: p.file.clone(),
                sha256: p.sha256?,
            })
        })
        .collect()
}
