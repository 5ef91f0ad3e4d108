//! Loads a planned bracket: decodes frames, checks sizes and samples, excludes damaged frames, sorts by exposure.
use super::borders;
use super::dark;
use super::exposure_from_pixels;
use super::memory::PlannedMemory;
use super::overrides::Overrides;
use super::raw_frames;
use super::survey::{BracketPlan, FinishedPlan, FramePlan, nominal};
use rayon::prelude::*;
use std::path::{Path, PathBuf};
use std::time::SystemTime;
use stopspan_core::Error;
use stopspan_core::error::{BracketProblem, InputProblem};
use stopspan_core::finding::Finding;
use stopspan_core::model::{Bracket, CameraPicture, Frame, file_name};
use stopspan_core::model::{Limits, Picture};
use stopspan_formats as formats;

/// Difference below which exposures are equal, stops.
const EQUAL_STOPS: f64 = 0.01;
/// File size, bytes, above which frames are decoded one after another, because a file is in memory together with its
/// pixels.
const SIDE_BY_SIDE: u64 = 1 << 28;

/// Decodes the frames of a bracket, in parallel unless the files are very large or memory is short.
///
/// If no exposure is known at all, order and steps come from the pixels, with [`Finding::SpanUnknown`]. Otherwise a
/// frame that cannot be decoded, or whose exposure is not known, is excluded with [`Finding::FrameLeftOut`] as long
/// as two frames of different exposure remain, unless [`Overrides::every_frame`] asks for all. The camera's own HDR picture is loaded too; if that fails, a finding
/// states it.
///
/// # Errors
/// [`Error::Input`] for a frame that cannot be dispensed with. [`Error::Bracket`] if exposures are neither known nor
/// determined by the pixels, all are equal, fewer than two frames remain, or sizes, sample types or colour spaces
/// differ.
pub fn load(plan: &BracketPlan, overrides: &Overrides) -> Result<Bracket, Error> {
    let unknown = plan.frames.len() > 1 && plan.frames.iter().all(|f| f.exposure.is_none());
    if !unknown {
        check_exposures(plan)?;
    }
    let hdr = plan.camera_hdr.as_ref();
    let frames = || decode_all(plan, overrides);
    let beside = || hdr.map(|h| (h, read_whole(&h.file, &overrides.limits)));
    let (decoded, camera_hdr) = match side_by_side(plan, overrides) {
        true => rayon::join(frames, beside),
        false => (frames(), beside()),
    };
    let mut findings = plan.findings.clone();
    let mut plans = plan.frames.clone();
    if unknown {
        let read: Vec<_> = decoded.iter().map(|d| &d.1).collect();
        match exposure_from_pixels::fill(&plans, &read) {
            Some((filled, finding)) => {
                plans = filled;
                findings.push(finding);
            }
            None => check_exposures(plan)?,
        }
    }
    let decoded = plans.iter().zip(decoded.into_iter().map(|d| d.1));
    let (mut frames, errors) = keep_good(decoded, &mut findings);
    let enough = differ(frames.iter().map(|f| f.1.exposure.used.value));
    if !errors.is_empty() && (overrides.every_frame || !enough) {
        return errors
            .into_iter()
            .next()
            .map_or(Err(too_few(plan, frames.len())), Err);
    }
    for error in errors {
        findings.push(left_out(&error));
    }
    frames.sort_by(|a, b| a.1.exposure.used.value.total_cmp(&b.1.exposure.used.value));
    let kept: Vec<FramePlan> = frames.iter().map(|f| f.0.clone()).collect();
    let wanted = plan.frames.get(plan.reference).map(|f| &f.file);
    // Without exposures the plan could not know which frame is in the middle.
    let wanted = wanted.filter(|_| !unknown);
    let reference = kept.iter().position(|f| Some(&f.file) == wanted);
    let frames: Vec<Frame> = frames.into_iter().map(|f| f.1).collect();
    let mut frames = frames;
    let index = reference.unwrap_or_else(|| nominal(&kept));
    // Settings for raw frames do not apply to the pictures that the camera saved beside them.
    let beside = plan.raw_beside.is_some();
    let neutral = overrides.neutral.filter(|_| !beside);
    raw_frames::unify(&mut frames, index, neutral, &mut findings)?;
    let darks: &[PathBuf] = if beside { &[] } else { &overrides.dark_frames };
    dark::subtract(&mut frames, darks, &overrides.limits, &mut findings)?;
    check_alike(&frames)?;
    super::colour::check(&frames, &mut findings)?;
    borders::exclude(&mut frames, &mut findings);
    Ok(Bracket {
        name: plan.name.clone(),
        frames,
        reference: index,
        camera_hdr: camera_hdr.and_then(|(plan, read)| finished(plan, read, &mut findings)),
        findings,
    })
}

/// Refuses a bracket that its exposures rule out, before anything is decoded.
fn check_exposures(plan: &BracketPlan) -> Result<(), Error> {
    let files = |wanted: fn(&&FramePlan) -> bool| -> Vec<PathBuf> {
        plan.frames
            .iter()
            .filter(wanted)
            .map(|f| f.file.clone())
            .collect()
    };
    if plan.frames.len() < 2 {
        return Err(too_few(plan, plan.frames.len()));
    }
    let unknown = files(|f| f.exposure.is_none());
    let known = plan.frames.len() - unknown.len();
    let differ = differ(
        plan.frames
            .iter()
            .filter_map(|f| f.exposure)
            .map(|e| e.used.value),
    );
    if differ {
        return Ok(());
    }
    let (files, problem) = if unknown.is_empty() || known >= 2 {
        (
            files(|f| f.exposure.is_some()),
            BracketProblem::EqualExposures,
        )
    } else {
        (unknown, BracketProblem::NoExposure)
    };
    Err(Error::Bracket { files, problem })
}

fn differ(stops: impl Iterator<Item = f64>) -> bool {
    let (low, high) = stops.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), s| {
        (low.min(s), high.max(s))
    });
    high - low > EQUAL_STOPS
}

fn too_few(plan: &BracketPlan, found: usize) -> Error {
    Error::Bracket {
        files: plan.frames.iter().map(|f| f.file.clone()).collect(),
        problem: BracketProblem::TooFew { found, needed: 2 },
    }
}

fn decode_all<'a>(
    plan: &'a BracketPlan,
    overrides: &Overrides,
) -> Vec<(&'a FramePlan, Result<Picture, Error>)> {
    let one = |plan: &'a FramePlan| (plan, read_whole(&plan.file, &overrides.limits));
    match side_by_side(plan, overrides) {
        true => plan.frames.par_iter().map(one).collect(),
        false => plan.frames.iter().map(one).collect(),
    }
}

/// True where pictures are decoded in parallel: their files are not very large, and memory suffices for several at a time.
fn side_by_side(plan: &BracketPlan, overrides: &Overrides) -> bool {
    let bytes = |plan: &FramePlan| std::fs::metadata(&plan.file).map_or(0, |m| m.len());
    plan.frames.iter().map(bytes).max() <= Some(SIDE_BY_SIDE)
        && PlannedMemory::of(plan, overrides).side_by_side(&overrides.limits)
}

/// Reads a picture and checks that the file did not change meanwhile.
pub(crate) fn read_whole(file: &Path, limits: &Limits) -> Result<Picture, Error> {
    let before = state(file)?;
    let picture = formats::read_picture(file, limits);
    if state(file)? != before {
        return Err(Error::input(file, InputProblem::Changed));
    }
    picture
}

fn state(file: &Path) -> Result<(u64, Option<SystemTime>), Error> {
    let unreadable = |e| Error::input_because(file, InputProblem::Unreadable, e);
    let metadata = std::fs::metadata(file).map_err(unreadable)?;
    Ok((metadata.len(), metadata.modified().ok()))
}

/// Frames that were decoded and have an exposure, and the errors of the others.
fn keep_good<'a>(
    decoded: impl Iterator<Item = (&'a FramePlan, Result<Picture, Error>)>,
    findings: &mut Vec<Finding>,
) -> (Vec<(FramePlan, Frame)>, Vec<Error>) {
    let (mut frames, mut errors) = (Vec::new(), Vec::new());
    for (plan, read) in decoded {
        let frame = file_name(&plan.file);
        match (read, plan.exposure) {
            (Err(error), _) => errors.push(error),
            (Ok(_), None) => findings.push(Finding::FrameLeftOut {
                frame,
                reason: "no exposure is known".to_owned(),
            }),
            (Ok(picture), Some(exposure)) => {
                if picture.damaged {
                    findings.push(Finding::DamagedAccepted { frame });
                }
                let (settings, bias) = (plan.settings, plan.bias);
                let frame = Frame {
                    picture,
                    settings,
                    exposure,
                    bias,
                    balance: stopspan_core::model::UNCHANGED,
                    transform: None,
                    covered: None,
                };
                frames.push((plan.clone(), frame));
            }
        }
    }
    (frames, errors)
}

fn left_out(error: &Error) -> Finding {
    match error {
        Error::Input { file, problem, .. } => Finding::FrameLeftOut {
            frame: file_name(file),
            reason: problem.to_string(),
        },
        other => Finding::FrameLeftOut {
            frame: String::new(),
            reason: other.to_string(),
        },
    }
}

/// Checks that all frames have the same size, sample type and number of channels.
fn check_alike(frames: &[Frame]) -> Result<(), Error> {
    let size = |f: &Frame| (f.picture.pixels.columns(), f.picture.pixels.rows());
    let samples = |f: &Frame| {
        let raw = f.picture.raw.as_ref();
        let pixels = &f.picture.pixels;
        let scale = raw.map(|r| (r.mosaic, r.code, r.black.clone()));
        (pixels.bits(), pixels.channels(), scale)
    };
    let Some(first) = frames.first() else {
        return Ok(());
    };
    let bracket = |problem| Error::Bracket {
        files: frames.iter().map(|f| f.picture.file.clone()).collect(),
        problem,
    };
    if let Some(other) = frames.iter().find(|f| size(f) != size(first)) {
        return Err(bracket(BracketProblem::Sizes {
            first: size(first),
            other: size(other),
        }));
    }
    if frames.iter().any(|f| samples(f) != samples(first)) {
        return Err(bracket(BracketProblem::SampleTypes));
    }
    Ok(())
}

fn finished(
    plan: &FinishedPlan,
    read: Result<Picture, Error>,
    findings: &mut Vec<Finding>,
) -> Option<CameraPicture> {
    match read {
        Ok(picture) => Some(CameraPicture {
            picture,
            evidence: plan.evidence.clone(),
        }),
        Err(error) => {
            findings.push(left_out(&error));
            None
        }
    }
}
