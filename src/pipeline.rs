//! The order of the stages: settings in, outcome out. The only file that knows which stage follows which.
//!
//! [`run`] does the whole job on every bracket found in the inputs; [`merge`] makes one radiance map; [`render`] renders
//! one again, [`measure_map`] measures the wedge on one; [`survey`] only lists what is there. `settings` holds what can be asked for, `locating` says where the wedge is, `calibrating` brings
//! known densities to bear, `measuring` brings pictures and wedge together, `sources` what is known of the frames'
//! exposures, `record`, `figures` and `moving` fill the report (`shown`: what their pictures look like), `delivery`, `products` and
//! `sheets` write files.
mod batch;
mod calibrating;
mod comparing;
mod delivery;
mod figures;
mod locating;
mod measuring;
mod measuring_map;
mod moving;
mod products;
mod raw;
mod record;
mod rendering;
mod settings;
mod sheets;
mod shown;
mod sources;
mod stated;

pub use batch::Part;
pub use delivery::{Delivery, PictureFile};
pub use measuring_map::{MapMeasurement, MapSettings, measure_map};
pub use rendering::{RenderSettings, render};
pub use settings::{Event, Settings, WedgeRequest};

use batch::{DoneBracket, Found};

use delivery::Finished;
use raw::Registered;
use std::borrow::Cow;
use std::path::PathBuf;
use stopspan_core::Error;
use stopspan_core::error::BracketProblem;
use stopspan_core::finding::Finding;
use stopspan_core::model::Response;
use stopspan_core::model::{Bracket, Clip};
use stopspan_core::model::{Motion, Noise};
use stopspan_core::raster::{Pixels, Transform};
use stopspan_core::results::Calibration;
use stopspan_core::results::ExposureCheck;
use stopspan_core::results::Scene;
use stopspan_core::results::{BracketGain, PictureMeasurement, WedgePlace};
use stopspan_core::results::{BracketReport, Report};
use stopspan_formats::staged::Outputs;
use stopspan_frames as frames;
use stopspan_frames::{BracketPlan, Survey};
use stopspan_merge::{MapSource, Merger, noise};
use stopspan_report as report;
use stopspan_report::html::Sections;
use stopspan_response as response;

/// What a run gave.
#[derive(Debug)]
pub struct Outcome {
    /// Everything found; the same as report.json holds.
    pub report: Report,
    /// Brackets done.
    pub done: usize,
    /// Files or brackets that failed; each was told as [`Event::Failed`] when it happened.
    pub failed: usize,
}

/// A file that was decoded, and the SHA-256 of the bytes that were.
pub type FileSum = (PathBuf, [u8; 32]);

/// A bracket ready to be merged: registered, response and noise known, exposures settled.
pub struct Prepared {
    /// The frames, with the exposures to use and their transforms.
    pub bracket: Bracket,
    /// Clip and floor levels, one a channel.
    pub clips: Vec<Clip>,
    /// The response.
    pub response: Response,
    /// The noise model.
    pub noise: Noise,
    /// Stated against measured exposures.
    pub check: ExposureCheck,
    /// What moved between the frames; `None` where nothing did, or where it was not looked for.
    pub motion: Option<Motion>,
    /// How the frames lie against the reference; `None` where registration was not asked for.
    pub registration: Option<stopspan_core::model::Registration>,
    /// The planes of raw mosaics that the map is made of, where the frames have been developed since.
    pub planes: Option<Box<raw::Planes>>,
    /// SHA-256 of every file that was decoded, frames that were left out afterwards among them.
    pub sums: Vec<FileSum>,
}

impl Prepared {
    /// The map of this bracket, through the planes of raw mosaics where it has some.
    pub fn map_source(&self) -> MapSource<'_> {
        raw::map_source(self)
    }

    /// The merge of this bracket, frames left out where something moved.
    pub fn merger(&self) -> Merger<'_> {
        Merger::new(&self.bracket, &self.response, &self.noise).leaving_out(self.motion.as_ref())
    }
}

/// What was measured on a bracket, before it is put into words and files.
struct Measured {
    wedge: Option<WedgePlace>,
    candidate: Option<WedgePlace>,
    calibration: Option<Calibration>,
    pictures: Vec<PictureMeasurement>,
    gain: Vec<BracketGain>,
    scene: Option<Scene>,
    camera_at: Option<Transform>,
    findings: Vec<Finding>,
}

/// Lists what the inputs hold, without decoding a pixel.
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
pub fn run(settings: &Settings, progress: &(dyn Fn(Event) + Sync)) -> Result<Outcome, Error> {
    let policy = settings.resumed_policy();
    settings.wedge.check()?;
    products::make_folder(&settings.out)?;
    if settings.part.is_none() {
        products::check_reports(&settings.out, &policy)?;
        if settings.resume {
            batch::clear(&settings.out);
        }
    }
    progress(Event::Surveying);
    let survey = survey(settings)?;
    for failed in &survey.failed {
        let error = &failed.error;
        progress(Event::Failed { error });
    }
    let mut report = record::begin(settings, &survey);
    let count = survey.brackets.len();
    let own_pages = products::own_pages(count);
    let mut sections = Vec::new();
    for (index, plan) in survey.brackets.iter().enumerate() {
        if settings.part.is_some_and(|part| !part.has(index)) {
            continue;
        }
        let name = &plan.name;
        progress(Event::Bracket { name, index, count });
        match finish(plan, settings, own_pages.then_some(&report), progress) {
            Ok(done) => {
                record::enter_sums(&mut report.inputs, &done.inputs);
                report.brackets.push(done.entry);
                if !own_pages {
                    sections.push(done.section);
                }
            }
            Err(error) => {
                progress(Event::Failed { error: &error });
                report.failed.push(record::failure(&plan.name, &error));
            }
        }
    }
    let (done, failed) = (report.brackets.len(), report.failed.len());
    if done > 0 && settings.part.is_none() {
        progress(Event::Stage("writing the report"));
        record::enter_missing_sums(&mut report.inputs);
        report.cameras = report::cameras::compare(&report.brackets);
        report.saved_twice = report::raw_beside::compare(&report.brackets);
        sheets::write_cameras(&report, &settings.sheets, &settings.out, &policy)?;
        let sections = if own_pages {
            Sections::Elsewhere
        } else {
            Sections::Here(&sections)
        };
        products::write_report(&report, sections, &settings.out, &policy)?;
    }
    Ok(Outcome {
        report,
        done,
        failed,
    })
}

/// One bracket, taken from an earlier run or done now. With a report begun it gets a page of its own.
fn finish(
    plan: &BracketPlan,
    settings: &Settings,
    page_of: Option<&Report>,
    progress: &(dyn Fn(Event) + Sync),
) -> Result<DoneBracket, Error> {
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
    let (entry, sums, section) = one_bracket(plan, settings, &policy, progress)?;
    let done = DoneBracket::new((plan, settings), &sums, entry, section)?;
    if let Some(report) = page_of {
        products::write_page(report, &done, &folder, &policy)?;
    }
    done.keep(&folder, &policy)?;
    Ok(done)
}

/// One radiance map from frames that are one bracket, whatever their times.
///
/// # Errors
/// Those of the stages; nothing is written then.
pub fn merge(settings: &Settings, progress: &(dyn Fn(Event) + Sync)) -> Result<Prepared, Error> {
    let policy = settings.output_policy();
    policy.check(&settings.out)?;
    progress(Event::Surveying);
    let survey = survey(settings)?;
    let plan = only_bracket(survey)?;
    let prepared = prepare(&plan, settings, progress)?;
    let source = prepared.map_source();
    progress(Event::Stage("merging and writing"));
    products::write_map(
        &settings.out,
        &policy,
        (&prepared.bracket, &settings.delivery),
        source.dim(),
        |rows| source.planes(rows),
    )?;
    Ok(prepared)
}

/// From files to all that a merge needs.
///
/// # Errors
/// Those of loading, and of a response that the data cannot support.
pub fn prepare(
    plan: &BracketPlan,
    settings: &Settings,
    progress: &(dyn Fn(Event) + Sync),
) -> Result<Prepared, Error> {
    progress(Event::Stage("reading the frames"));
    let load = || frames::load(plan, &settings.overrides);
    let bracket = rayon::join(load, response::make_ready).0?;
    let sums = record::sums(&bracket);
    progress(Event::Stage("registering"));
    let Registered {
        mut bracket,
        registration,
        noise,
    } = raw::register(bracket, settings.register);
    progress(Event::Stage("recovering the response"));
    let clips = frames::clip_levels(&bracket);
    let scales = frames::linear_scales(&bracket);
    let (request, linear) = response::select(&bracket, &clips, settings.response);
    bracket.findings.extend(linear);
    let recovered = response::recover(&bracket, &clips, scales.as_ref(), request)?;
    let settled = recovered.exposures.iter().zip(&recovered.balance);
    for (frame, (exposure, balance)) in bracket.frames.iter_mut().zip(settled) {
        (frame.exposure, frame.balance) = (*exposure, *balance);
    }
    bracket.findings.extend(recovered.findings);
    let (mut noise, mut doubts) = match noise {
        Some(noise) => (noise, Vec::new()),
        None => noise::estimate(&bracket, &recovered.response, &clips),
    };
    raw::noise_as_stated(&bracket, &recovered.response, &mut noise, &mut doubts);
    bracket.findings.extend(doubts);
    moving::ripple(&mut bracket, &recovered.response);
    let motion = match &settings.motion {
        Some(how) => {
            progress(Event::Stage("looking for what moved"));
            moving::look(&mut bracket, &recovered.response, &noise, how)?
        }
        None => None,
    };
    Ok(Prepared {
        bracket,
        clips,
        response: recovered.response,
        noise,
        check: recovered.check,
        motion,
        registration,
        planes: None,
        sums,
    })
}

fn one_bracket(
    plan: &BracketPlan,
    settings: &Settings,
    policy: &Outputs,
    progress: &(dyn Fn(Event) + Sync),
) -> Result<(BracketReport, Vec<FileSum>, String), Error> {
    let prepared = prepare(plan, settings, progress)?;
    progress(Event::Stage("merging"));
    let mut map = prepared.map_source().whole();
    if map.share(stopspan_core::model::flag::CLIPPED_IN_ALL) >= 1.0 {
        return Err(nothing_usable(&prepared.bracket));
    }
    let mut prepared = raw::developed(prepared);
    progress(Event::Stage("looking for the wedge, rendering"));
    // Known densities may change the map.
    let settled = settings.wedge.densities.is_none() && settings.wedge.file.is_none();
    let (located, mut rendered) = rayon::join(
        || locating::locate(&map, &settings.wedge),
        || settled.then(|| rendering::picture(&prepared, &map, settings)),
    );
    let located = located?;
    let known = calibrating::by_densities(&mut prepared, &located, settings)?;
    if known.calibration.as_ref().is_some_and(|c| c.exponent.used) {
        progress(Event::Stage("merging by the wedge's exposures"));
        (map, rendered) = (prepared.map_source().whole(), None);
    }
    let rendered = rendered.unwrap_or_else(|| rendering::picture(&prepared, &map, settings))?;
    let picture = Pixels::U8(stopspan_tone::to_8_bit(&rendered));
    progress(Event::Stage("measuring, writing the map and the picture"));
    let folder = settings.out.join(&plan.name);
    let reference = &prepared.bracket.frames[prepared.bracket.reference];
    let finished = Finished {
        map: &map,
        tone: &settings.tone,
        codes: &rendered,
        eight: Some(&picture),
        header: &reference.picture.header,
    };
    let seen = shown::Shown::of(&settings.tone.output.primaries()).picture(&picture);
    let wedge = located.place.clone();
    let (outputs, (measured, compare, mut shown)) = rayon::join(
        || {
            products::write_bracket(
                &folder,
                policy,
                &prepared.bracket,
                &map,
                (&finished, &settings.delivery),
                wedge.as_ref(),
            )
        },
        || {
            let measured = measuring::measure(&prepared, &map, &picture, (located, known));
            let compare = comparing::compare(&prepared, &map, &measured, settings.edge);
            let compared = (&measured, compare.as_ref());
            let mut shown = figures::of_bracket(&prepared, &map, &seen, compared);
            shown.crops = sheets::crops(&prepared, &seen, compared, &settings.sheets);
            (measured, compare, shown)
        },
    );
    let converted = matches!(seen, Cow::Owned(_)).then(|| seen.into_owned());
    if let Pixels::U8(samples) = converted.unwrap_or(picture) {
        shown.preview = Some(samples);
    }
    let comparison = compare.map(|c| c.comparison);
    let mut entry = record::bracket(&prepared, &map, (measured, comparison), outputs?);
    entry.raw_beside = raw::beside(plan, &prepared, settings);
    progress(Event::Stage("drawing the sheets"));
    let sums = std::mem::take(&mut prepared.sums);
    let (sheets, section) = rayon::join(
        || sheets::write_bracket(&entry, &shown, &settings.sheets, &settings.out, policy),
        || {
            drop((map, prepared));
            report::html::section(&entry, &shown)
        },
    );
    entry.outputs.extend(sheets?);
    Ok((entry, sums, section))
}

fn nothing_usable(bracket: &Bracket) -> Error {
    let files = bracket
        .frames
        .iter()
        .map(|f| f.picture.file.clone())
        .collect();
    Error::Bracket {
        files,
        problem: BracketProblem::NothingUsable,
    }
}

fn only_bracket(survey: Survey) -> Result<BracketPlan, Error> {
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
