//! A survey of the inputs, sorted into brackets from their headers, and from pixels only where a pause leaves it open whether frames
//! belong together; [`load`](super::load) decodes them.
use super::exposure::parse_exposure;
use super::listing::{Skipped, list};
use super::moment::moment;
use super::names::names;
use super::overrides::Overrides;
use super::raw_pairing;
use super::settle::settle;
use super::sorting::{Candidate, Cluster, FinishedCandidate, Sorted, sort};
use rayon::prelude::*;
use serde::Serialize;
use std::path::{Path, PathBuf};
use stopspan_core::finding::Finding;
use stopspan_core::model::{Exposure, file_name};
use stopspan_core::units::ExposureSettings;
use stopspan_core::{Error, Setting};
use stopspan_formats as formats;

/// What was found among the inputs.
#[derive(Debug, Default, Serialize)]
pub struct Survey {
    /// Brackets, in the order of folders and of capture.
    pub brackets: Vec<BracketPlan>,
    /// Finished HDR pictures that belong to no bracket.
    pub camera_hdr: Vec<FinishedPlan>,
    /// Pictures that belong to no bracket.
    pub singles: Vec<PathBuf>,
    /// Inputs skipped, with the reason.
    pub skipped: Vec<Skipped>,
    /// Pictures that cannot be read.
    pub failed: Vec<Failed>,
    /// Findings about pictures that belong to no bracket.
    pub findings: Vec<Finding>,
}

/// A bracket to be loaded.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BracketPlan {
    /// Unique within the survey; usable as a folder name.
    pub name: String,
    /// The frames by increasing exposure (in the order of capture if an exposure is not known).
    pub frames: Vec<FramePlan>,
    /// Index of the reference frame.
    pub reference: usize,
    /// The camera's own HDR picture of the scene.
    pub camera_hdr: Option<FinishedPlan>,
    /// Name of the bracket that contains the raw files of the same shots, if the camera saved both.
    pub raw_beside: Option<String>,
    /// Findings about exposures and about pictures recognised.
    pub findings: Vec<Finding>,
}

/// A frame of a bracket to be loaded.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FramePlan {
    /// The file.
    pub file: PathBuf,
    /// Time, aperture, speed in use.
    pub settings: ExposureSettings,
    /// Exposure, stops; `None` if not known.
    pub exposure: Option<Exposure>,
    /// Exposure relative to the reference frame, stops.
    pub step_stops: Option<f64>,
    /// ExposureBiasValue, EV.
    pub bias: Option<f64>,
    /// Capture time as the file states it.
    pub captured: Option<String>,
    /// The raw file of the same shot, if there is one.
    pub raw: Option<PathBuf>,
}

/// A finished picture to be loaded for comparison.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FinishedPlan {
    /// The file.
    pub file: PathBuf,
    /// Evidence that it is one, in words.
    pub evidence: String,
}

/// A picture that cannot be read.
#[derive(Debug, Serialize)]
pub struct Failed {
    /// The file.
    pub file: PathBuf,
    /// What is wrong, in words.
    pub problem: String,
    /// What to do about it.
    pub advice: String,
    /// The error itself.
    #[serde(skip)]
    pub error: Error,
}

/// Reads the headers of the inputs (files, or folders for the pictures directly in them) in parallel and sorts the
/// pictures into brackets. The order of the inputs does not matter.
///
/// # Errors
/// [`Error::Request`] if the user's word is about no input picture, or gives stops for some frames of a bracket only.
/// A file that cannot be read is no error: it is listed in [`Survey::failed`].
pub fn survey(inputs: &[PathBuf], overrides: &Overrides) -> Result<Survey, Error> {
    let mut listing = list(inputs, overrides);
    listing.files.retain(|file| !overrides.says_dark(file));
    let (candidates, mut errors) = read_headers(&listing.files, overrides);
    errors.extend(listing.failed);
    let mut known = listing.files;
    known.extend(errors.iter().filter_map(input_file));
    overrides.check_used(&known)?;
    let mut survey = Survey {
        skipped: listing.skipped,
        failed: errors.into_iter().map(Failed::from).collect(),
        ..Survey::default()
    };
    survey.failed.sort_by(|a, b| a.file.cmp(&b.file));
    survey.fill(sort(candidates, overrides), overrides)?;
    Ok(survey)
}

fn read_headers(files: &[PathBuf], overrides: &Overrides) -> (Vec<Candidate>, Vec<Error>) {
    let read: Vec<Result<Candidate, Error>> = files
        .par_iter()
        .map(|file| {
            let (format, header) = formats::read_format(file, &overrides.limits)?;
            let said = overrides.exposure_of(file);
            Ok(Candidate {
                file: file.clone(),
                format,
                judged: parse_exposure(&file_name(file), &header, said),
                moment: moment(&header),
                header,
            })
        })
        .collect();
    let (mut candidates, mut errors) = (Vec::new(), Vec::new());
    for result in read {
        match result {
            Ok(candidate) => candidates.push(candidate),
            Err(error) => errors.push(error),
        }
    }
    (candidates, errors)
}

fn input_file(error: &Error) -> Option<PathBuf> {
    match error {
        Error::Input { file, .. } => Some(file.clone()),
        _ => None,
    }
}

impl From<Error> for Failed {
    fn from(error: Error) -> Self {
        Failed {
            file: input_file(&error).unwrap_or_default(),
            problem: error.to_string(),
            advice: error.advice(),
            error,
        }
    }
}

impl Survey {
    fn fill(&mut self, sorted: Sorted, overrides: &Overrides) -> Result<(), Error> {
        let mut clusters = sorted.clusters;
        clusters.sort_by(|a, b| first_file(a).cmp(&first_file(b)));
        let mut brackets = Vec::new();
        for cluster in clusters {
            if cluster.is_bracket() || overrides.one_bracket {
                brackets.push(cluster);
            } else {
                self.singles
                    .extend(cluster.frames.into_iter().map(|c| c.file));
                self.camera_hdr.extend(cluster.finished.map(finished_plan));
            }
        }
        self.camera_hdr
            .extend(sorted.finished.into_iter().map(finished_plan));
        self.camera_hdr.sort_by(|a, b| a.file.cmp(&b.file));
        self.singles.sort();
        self.findings = self.loose_findings();
        let names = names(&brackets);
        let pairs = raw_pairing::pair(&brackets);
        for ((cluster, name), raw) in brackets.into_iter().zip(&names).zip(pairs) {
            let raw = raw.map(|r| (names[r.cluster].clone(), r.files));
            self.brackets
                .push(plan(cluster, name.clone(), raw, overrides)?);
        }
        Ok(())
    }

    fn loose_findings(&self) -> Vec<Finding> {
        let hdr = self.camera_hdr.iter().map(FinishedPlan::finding);
        let singles = self.singles.iter().map(|file| Finding::Single {
            frame: file_name(file),
        });
        hdr.chain(singles).collect()
    }
}

impl FinishedPlan {
    fn finding(&self) -> Finding {
        Finding::CameraHdrRecognised {
            frame: file_name(&self.file),
            reason: self.evidence.clone(),
        }
    }
}

/// Sort key of a cluster: folder, then capture time.
fn first_file(cluster: &Cluster) -> (Option<&Path>, i64, Option<&PathBuf>) {
    let first = cluster.frames.first();
    let moment = first.and_then(|f| f.moment).unwrap_or(0.0);
    (
        first.and_then(|f| f.file.parent()),
        (moment * 1000.0) as i64,
        first.map(|f| &f.file),
    )
}

fn finished_plan((candidate, evidence): FinishedCandidate) -> FinishedPlan {
    FinishedPlan {
        file: candidate.file,
        evidence,
    }
}

/// Plan of a cluster: settles its exposures and orders its frames.
fn plan(
    cluster: Cluster,
    name: String,
    raw: Option<(String, Vec<Option<PathBuf>>)>,
    overrides: &Overrides,
) -> Result<BracketPlan, Error> {
    let (mut judged, about): (Vec<_>, Vec<_>) = cluster
        .frames
        .into_iter()
        .map(|c| (c.judged, (c.file, c.header.captured)))
        .unzip();
    let plain = judged.iter().filter(|j| j.plain_stops.is_some()).count();
    if plain != 0 && plain != judged.len() {
        return Err(Error::request_of(
            Setting::Exposure,
            "FILE=STOPSev",
            format!(
                "gives stops for {plain} of the {} frames of bracket {name}; give all or none",
                judged.len()
            ),
        ));
    }
    settle(&mut judged);
    let mut findings = Vec::new();
    let mut frames = Vec::new();
    let (raw_beside, raws) = raw.unzip();
    let mut raws = raws.into_iter().flatten();
    for (judged, (file, captured)) in judged.into_iter().zip(about) {
        findings.extend(judged.findings);
        frames.push(FramePlan {
            file,
            settings: judged.settings,
            exposure: judged.stated.map(|stated| Exposure {
                stated,
                used: stated,
                source: judged.source,
            }),
            step_stops: None,
            bias: judged.bias,
            captured,
            raw: raws.next().flatten(),
        });
    }
    let camera_hdr = cluster.finished.map(finished_plan);
    findings.extend(camera_hdr.as_ref().map(FinishedPlan::finding));
    Ok(lay_out(
        BracketPlan {
            name,
            frames,
            reference: 0,
            camera_hdr,
            raw_beside,
            findings,
        },
        overrides,
    ))
}

/// Sorts frames by exposure, selects the reference, fills in the steps.
fn lay_out(mut plan: BracketPlan, overrides: &Overrides) -> BracketPlan {
    if plan.frames.iter().all(|f| f.exposure.is_some()) {
        // stable: frames of equal exposure stay in the order of capture
        plan.frames.sort_by(|a, b| a.stops().total_cmp(&b.stops()));
    }
    let said = plan
        .frames
        .iter()
        .position(|f| overrides.says_reference(&f.file));
    plan.reference = said.unwrap_or_else(|| nominal(&plan.frames));
    let base = plan.frames.get(plan.reference).and_then(|f| f.exposure);
    for frame in &mut plan.frames {
        let step = frame.exposure.zip(base);
        frame.step_stops = step.map(|(own, base)| own.used.value - base.used.value);
    }
    plan
}

impl FramePlan {
    /// Exposure in use, stops; NaN if not known.
    pub(crate) fn stops(&self) -> f64 {
        self.exposure.map_or(f64::NAN, |e| e.used.value)
    }
}

/// Index of the frame of nominal exposure: the only one of bias 0, else the one nearest the middle of the exposures
/// (the shorter of two), else the middle one.
pub(crate) fn nominal(frames: &[FramePlan]) -> usize {
    let unbiased: Vec<usize> = (0..frames.len())
        .filter(|&i| frames[i].bias.is_some_and(|b| b.abs() < 0.05))
        .collect();
    if let [only] = unbiased.as_slice() {
        return *only;
    }
    let mut known: Vec<usize> = (0..frames.len())
        .filter(|&i| frames[i].exposure.is_some())
        .collect();
    known.sort_by(|&a, &b| frames[a].stops().total_cmp(&frames[b].stops()));
    match known.len() {
        0 => frames.len().saturating_sub(1) / 2,
        n => known[(n - 1) / 2],
    }
}
