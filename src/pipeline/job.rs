//! The whole job on every bracket of the inputs: done one after another, or taken from an earlier run.
use super::batch::{self, Found};
use super::lone::{self, LoneFile};
use super::lone_light;
use super::settings::{Event, Settings};
use super::{Progress, across, asked, inputs, one_bracket, products, sheets};
use std::path::Path;
use stopspan_core::Error;
use stopspan_core::error::BracketProblem;
use stopspan_core::finding::Finding;
use stopspan_core::model::{FileDigest, file_name};
use stopspan_core::results::{BracketReport, Report};
use stopspan_formats::staged::Outputs;
use stopspan_frames::{self as frames, BracketPlan, Survey};
use stopspan_report::html::Sections;
use stopspan_report::{self as report, BracketRecord, PageFigures};

/// What a run gave.
#[derive(Debug)]
#[non_exhaustive]
pub struct Outcome {
    /// Everything found; the same as report.json holds.
    pub report: Report,
    /// Brackets done.
    pub done: usize,
    /// Pictures without a bracket that were measured or, without a wedge, compared.
    pub pictures: usize,
    /// Files or brackets that failed, each told as [`Event::Failed`] when it happened, and frames that brackets were made without.
    pub failed: usize,
}

/// What was made of one bracket.
pub(super) struct BracketDone {
    /// Its entry of the report.
    pub entry: BracketReport,
    /// The files that were decoded.
    pub files: Vec<FileDigest>,
    /// The pictures of its section of the page.
    pub figures: PageFigures,
}

/// Lists what the inputs hold. Pixels are decoded only where a pause leaves it open whether frames belong together.
///
/// # Errors
/// As [`frames::survey`].
pub fn survey(settings: &Settings) -> Result<Survey, Error> {
    frames::survey(&settings.inputs, &settings.overrides)
}

/// The whole job on every bracket of the inputs. A bracket that fails is reported and the others are done.
///
/// # Errors
/// [`Error::Request`] for settings that make no sense; [`Error::Output`] where the folder or the report cannot be
/// written.
pub fn run(settings: &Settings, progress: Progress) -> Result<Outcome, Error> {
    let policy = settings.resumed_policy();
    settings.wedge.check()?;
    lone_light::check(settings)?;
    products::make_folder(&settings.out)?;
    if settings.part.is_none() {
        products::check_reports(&settings.out, &policy)?;
        if settings.resume {
            batch::clear(&settings.out);
        }
    }
    progress(Event::Surveying);
    let survey = survey(settings)?;
    asked::check(settings, &survey)?;
    for failed in &survey.failed {
        let error = &failed.error;
        progress(Event::Failed { error });
    }
    let mut report = inputs::begin(settings, &survey);
    let own_pages = products::own_pages(survey.brackets.len());
    let (finished, unsure) = finish_all(&survey, settings, &mut report, progress);
    let mut figures = Vec::new();
    for (_, done) in finished {
        report.brackets.push(done.entry);
        if !own_pages {
            figures.push(done.figures);
        }
    }
    let lone_figures = without_bracket(&survey, unsure, settings, &mut report, progress)?;
    let lost = report.brackets.iter().flat_map(|b| &b.findings);
    let lost = lost.filter(|f| matches!(f, Finding::FrameLeftOut { .. }));
    let (done, failed) = (report.brackets.len(), report.failed.len() + lost.count());
    let pictures = report.without_bracket.iter();
    let mut pictures: usize = pictures.map(|w| w.pictures.len()).sum();
    if settings.part.is_none() {
        report.cameras = report::cameras::compare(&report.brackets, &report.without_bracket);
        across::compare(&mut report, &survey, (settings, &policy), progress)?;
        if done + pictures == 0 {
            pictures = compared(&report);
        }
        if done + pictures > 0 {
            progress(Event::Stage("writing the report"));
            let sections = if own_pages {
                Sections::Elsewhere
            } else {
                Sections::Here(&figures)
            };
            write_out(&mut report, (sections, &lone_figures), settings, &policy)?;
        }
    }
    Ok(Outcome {
        report,
        done,
        pictures,
        failed,
    })
}

/// Number of default shots compared with each other.
fn compared(report: &Report) -> usize {
    let shots = report.cameras.as_ref().and_then(|c| c.shots.as_ref());
    shots.map_or(0, |s| s.shots.len())
}

/// Writes the report, and the sheet on the cameras.
fn write_out(
    report: &mut Report,
    sections: (Sections, &[PageFigures]),
    settings: &Settings,
    policy: &Outputs,
) -> Result<(), Error> {
    inputs::enter_missing_sums(&mut report.inputs);
    report.saved_twice = report::raw_table::compare(&report.brackets);
    sheets::write_cameras(report, &settings.sheets, &settings.out, policy)?;
    products::write_report(report, sections, &settings.out, policy)
}

/// Pictures of one size without any exposure that do not make a bracket after all, with the error that said so.
type Unsure<'a> = Vec<(&'a BracketPlan, Error)>;

/// Measures the pictures that belong to no bracket, and those of which it was `unsure`: where one of these shows a wedge they were
/// single shots, else their bracket has failed. Returns what the page shows of each camera.
fn without_bracket(
    survey: &Survey,
    unsure: Unsure,
    settings: &Settings,
    report: &mut Report,
    progress: Progress,
) -> Result<Vec<PageFigures>, Error> {
    let mut figures = Vec::new();
    if settings.part.is_none() {
        let mut files = LoneFile::all_of(survey);
        let frames = unsure.iter().flat_map(|(plan, _)| &plan.frames);
        files.extend(frames.map(|f| LoneFile::single(f.file.clone())));
        let lone = lone::measure_all(&files, settings, &report.brackets, progress);
        figures = lone.enter(settings, &settings.resumed_policy(), report)?;
    }
    for (plan, error) in unsure {
        let pictures = report.without_bracket.iter().flat_map(|w| &w.pictures);
        let mut paths = pictures.map(|p| Path::new(&p.path));
        if !paths.any(|path| plan.frames.iter().any(|f| f.file == path)) {
            progress(Event::Failed { error: &error });
            report.failed.push(inputs::failure(&plan.name, &error));
        }
    }
    Ok(figures)
}

/// True where nothing but their size made a bracket of pictures, and their pixels do not bear it out.
fn is_unsure(plan: &BracketPlan, error: &Error) -> bool {
    let unknown = matches!(
        error,
        Error::Bracket {
            problem: BracketProblem::NoExposure
                | BracketProblem::EqualExposures
                | BracketProblem::OtherViews
                | BracketProblem::Sizes { .. }
                | BracketProblem::SampleTypes
                | BracketProblem::ColourSpaces { .. },
            ..
        }
    );
    unknown && plan.frames.iter().all(|f| f.exposure.is_none())
}

/// Every bracket of the survey with its index; those that fail go into the report, and so do the sums of all files.
///
/// All brackets of a run show one wedge: where one counts fewer of its steps than another, it is done again with the number that
/// the other counted.
fn finish_all<'a>(
    survey: &'a Survey,
    settings: &Settings,
    report: &mut Report,
    progress: Progress,
) -> (Vec<(usize, BracketRecord)>, Unsure<'a>) {
    let count = survey.brackets.len();
    let own_pages = products::own_pages(count);
    let (mut finished, mut unsure) = (Vec::new(), Vec::new());
    for (index, plan) in survey.brackets.iter().enumerate() {
        if settings.part.is_some_and(|part| !part.has(index)) {
            continue;
        }
        let name = &plan.name;
        progress(Event::Bracket { name, index, count });
        match finish(plan, settings, own_pages.then_some(&*report), progress) {
            Ok(done) => {
                inputs::enter_sums(&mut report.inputs, &done.inputs);
                finished.push((index, done));
            }
            Err(error) if is_unsure(plan, &error) => unsure.push((plan, error)),
            Err(error) => {
                progress(Event::Failed { error: &error });
                report.failed.push(inputs::failure(&plan.name, &error));
            }
        }
    }
    let steps = |done: &BracketRecord| done.entry.pictures.steps();
    let most = finished.iter().filter_map(|(_, done)| steps(done)).max();
    let mut again = settings.clone();
    (again.overwrite, again.resume, again.wedge.steps_of_run) = (true, false, most);
    for (index, done) in &mut finished {
        if steps(done).is_none() || steps(done) == most {
            continue;
        }
        let plan = &survey.brackets[*index];
        let (name, index) = (&plan.name, *index);
        progress(Event::Bracket { name, index, count });
        if let Ok(shared) = finish(plan, &again, own_pages.then_some(&*report), progress) {
            *done = shared;
        }
    }
    (finished, unsure)
}

/// One bracket, taken from an earlier run or done now. With a report begun it gets a page of its own.
fn finish(
    plan: &BracketPlan,
    settings: &Settings,
    page_of: Option<&Report>,
    progress: Progress,
) -> Result<BracketRecord, Error> {
    let folder = settings.out.join(&plan.name);
    let mut policy = settings.output_policy();
    if settings.resume {
        match batch::find(&folder, plan, settings)? {
            Found::Done(done) => {
                progress(Event::Kept);
                return Ok(*done);
            }
            Found::Unfinished => policy = settings.resumed_policy(),
        }
    }
    let made = one_bracket(plan, settings, &policy, progress)?;
    let mut done = batch::record_of((plan, settings), made)?;
    if let Some(report) = page_of {
        products::write_page(report, &done, &folder, &policy)?;
    }
    batch::keep(&mut done, &folder, &policy)?;
    Ok(done)
}

/// Files that were named as frames and are in no bracket to be merged, with the reason.
pub(super) fn named_but_unused(settings: &Settings, survey: &Survey) -> Vec<Finding> {
    let left_out = |file: &Path, reason: String| {
        let named = settings.inputs.iter().any(|input| input == file);
        named.then(|| Finding::FrameLeftOut {
            frame: file_name(file),
            reason,
        })
    };
    let problem = |error: &Error| match error {
        Error::Input { problem, .. } => problem.to_string(),
        other => other.to_string(),
    };
    let failed = survey.failed.iter();
    let failed = failed.filter_map(|f| left_out(&f.file, problem(&f.error)));
    let skipped = survey.skipped.iter();
    let skipped = skipped.filter_map(|s| left_out(&s.file, s.reason.words()));
    let beside = "it belongs to no bracket with the others".to_owned();
    let singles = survey.singles.iter();
    let singles = singles.filter_map(|file| left_out(file, beside.clone()));
    failed.chain(skipped).chain(singles).collect()
}

pub(super) fn only_bracket(survey: Survey) -> Result<BracketPlan, Error> {
    let mut plans = survey.brackets.into_iter();
    if let Some(plan) = plans.next() {
        return Ok(plan);
    }
    if let Some(failed) = survey.failed.into_iter().next() {
        return Err(failed.error);
    }
    let found = survey.singles.len();
    Err(Error::Bracket {
        files: survey.singles,
        problem: BracketProblem::TooFew { found, needed: 2 },
    })
}
