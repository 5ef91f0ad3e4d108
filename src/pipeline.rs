//! The order of the stages: settings in, outcome out. The only file that knows which stage follows which.
//!
//! [`prepare`] takes a bracket from files to all that a merge needs, [`merge`] writes its map, and [`run`] does the whole job on every
//! bracket found in the inputs. [`render`] renders a map again, [`measure_map`] measures the wedge on one, [`measure_pictures`] on finished pictures, [`survey`] only lists
//! what is there. Below: `settings` holds what can be asked for, `registering` the order for raw mosaics, `job` that of many
//! brackets with `batch` and `inputs` under it, `lone`, `opened` and `lone_light` that of pictures without a bracket, `delivery`, `products`, `sheets` and `views` write files, `drawn` draws sheets again; `across` compares the default shots of all cameras; `memory` holds jobs to a limit, `asked` what is asked of
//! the sheets against the pictures that there are.
mod across;
mod asked;
mod batch;
mod delivery;
mod drawn;
mod inputs;
mod job;
mod kept;
mod lone;
mod lone_light;
mod measuring_map;
mod memory;
mod opened;
mod products;
mod registering;
mod rendering;
mod settings;
mod sheets;
pub(crate) mod stages;
mod views;

pub use batch::Part;
pub use batch::{FinishedBracket, finished_bracket};
pub use delivery::{Delivery, PictureFile};
pub use drawn::{DrawnBracket, sheet_bytes};
pub use job::{Outcome, run, survey};
pub use lone::measure_pictures;
pub use measuring_map::{MapMeasurement, MapSettings, measure_map, measure_on};
pub use opened::OpenedPicture;
pub use rendering::{RenderSettings, opened as opened_map, render};
pub use settings::{Event, Settings};
pub use stopspan_measure::WedgeRequest;

use delivery::RenderingToWrite;
use job::{BracketDone, only_bracket};
use memory::{Job, check_bracket};
use ndarray::Array3;
use std::borrow::Cow;
use stopspan_core::Error;
use stopspan_core::error::BracketProblem;
use stopspan_core::model::{Bracket, DisplayConversion, Merged, Recovered, Registered, flag};
use stopspan_core::raster::Pixels;
use stopspan_core::results::{BracketMeasurement, ComparisonWithMarks};
use stopspan_formats as formats;
use stopspan_formats::map_file::Strips;
use stopspan_formats::staged::Outputs;
use stopspan_frames as frames;
use stopspan_frames::BracketPlan;
use stopspan_measure as measure;
use stopspan_measure::Located;
use stopspan_measure::calibrate::{CalibrationOutcome, FlatField, by_densities, corrected};
use stopspan_measure::compare::{self, ComparisonInput};
use stopspan_merge::{MapSource, banding, before_after, motion, noise, uncertainty};
use stopspan_report::figure::{self, FigureInput};
use stopspan_report::{self as report, BracketFigures, PageFigures, sheet};
use stopspan_response::{self as response, ResponseRequest};
use stopspan_tone::ToneSettings;

type Progress<'a> = &'a (dyn Fn(Event) + Sync);

/// One radiance map from frames that are one bracket, whatever their times. Frames that were named and not used are among the
/// bracket's findings, with the reason.
///
/// # Errors
/// Those of the stages; nothing is written then.
pub fn merge(settings: &Settings, progress: Progress) -> Result<Recovered, Error> {
    let policy = settings.output_policy();
    policy.check(&settings.out)?;
    progress(Event::Surveying);
    let mut found = survey(settings)?;
    if settings.overrides.every_frame && !found.failed.is_empty() {
        return Err(found.failed.swap_remove(0).error);
    }
    let unused = job::named_but_unused(settings, &found);
    let plan = only_bracket(found)?;
    check_bracket(Job::Merge, &plan, settings)?;
    let mut recovered = prepare(&plan, settings, progress)?;
    recovered.disagreement = uncertainty::observe(&recovered);
    recovered.bracket.findings.extend(unused);
    let source = MapSource::of(&recovered);
    progress(Event::Stage("merging and writing"));
    products::write_map(
        &settings.out,
        &policy,
        &recovered,
        &settings.delivery,
        &Strips {
            shape: source.dim(),
            rows: |rows| source.planes(rows),
        },
    )?;
    Ok(recovered)
}

/// From files to all that a merge needs.
///
/// # Errors
/// Those of loading, and of a response that the data cannot support.
pub fn prepare(
    plan: &BracketPlan,
    settings: &Settings,
    progress: Progress,
) -> Result<Recovered, Error> {
    progress(Event::Stage("reading the frames"));
    let load = || frames::load(plan, &settings.overrides);
    let bracket = rayon::join(load, response::make_ready).0?;
    progress(Event::Stage("registering"));
    let registered = registering::register(bracket, settings.register);
    if plan.frames.iter().all(|f| f.exposure.is_none()) && !settings.overrides.one_bracket {
        registering::check_view(&registered)?;
    }
    progress(Event::Stage("recovering the response"));
    let mut recovered = recover(registered, settings.response)?;
    if let Some(how) = &settings.motion {
        progress(Event::Stage("looking for what moved"));
        let Recovered {
            bracket,
            response,
            noise,
            ..
        } = &mut recovered;
        recovered.motion = motion::look(bracket, response, noise, how)?;
    }
    Ok(recovered)
}

/// Response, exposures and noise of a registered bracket.
fn recover(registered: Registered, request: ResponseRequest) -> Result<Recovered, Error> {
    let Registered { mut bracket, .. } = registered;
    let clips = frames::clip_levels(&bracket);
    let scales = frames::linear_scales(&bracket);
    let (request, evidence) = response::select(&bracket, &clips, request);
    bracket.findings.extend(evidence);
    let found = response::recover(&bracket, &clips, scales.as_ref(), request)?;
    let settled = found.exposures.iter().zip(&found.balance);
    for (frame, (exposure, balance)) in bracket.frames.iter_mut().zip(settled) {
        (frame.exposure, frame.balance) = (*exposure, *balance);
    }
    bracket.findings.extend(found.findings);
    let (noise, doubts) = match registered.stated_noise {
        Some(noise) => (noise, Vec::new()),
        None => noise::estimate(&bracket, &found.response, &clips),
    };
    bracket.findings.extend(doubts);
    banding::account_for(&mut bracket, &found.response);
    Ok(Recovered {
        bracket,
        samples: registered.samples,
        clips,
        response: found.response,
        noise,
        check: found.check,
        disagreement: None,
        motion: None,
        registration: registered.registration,
        files: registered.files,
    })
}

/// The map of a bracket; its frames are demosaiced afterwards, where they are mosaics, for all that looks at frames one by one.
fn merged(mut recovered: Recovered) -> Result<Merged, Error> {
    recovered.disagreement = uncertainty::observe(&recovered);
    let map = MapSource::of(&recovered).whole();
    if map.share(flag::CLIPPED_IN_ALL) >= 1.0 {
        return Err(nothing_usable(&recovered.bracket));
    }
    Ok(Merged {
        frames: registering::demosaiced(recovered),
        map,
    })
}

/// Everything on one bracket: map, picture, measurements, report entry, sheets.
fn one_bracket(
    plan: &BracketPlan,
    settings: &Settings,
    policy: &Outputs,
    progress: Progress,
) -> Result<BracketDone, Error> {
    let Settled {
        merged,
        picture,
        located,
        calibrated,
    } = settle(plan, settings, progress)?;
    progress(Event::Stage("measuring, writing the map and the picture"));
    let place = located.place.clone();
    let (outputs, seen) = rayon::join(
        || {
            let (finished, folder) = (
                picture.finished(&merged, settings),
                settings.out.join(&plan.name),
            );
            products::write_bracket(&folder, policy, &merged.frames, &finished, place.as_ref())
        },
        || look(&merged, &picture, (located, calibrated), settings),
    );
    let (measured, compared, mut figures) = seen;
    figures.preview = picture.preview();
    let comparison = compared.map(|c| c.comparison);
    let mut entry = report::bracket_entry(&merged, measured, comparison, outputs?);
    entry.raw_beside = registering::raw_beside(plan, &merged.frames, settings);
    lone_light::keep_response(&mut entry, &settings.out, policy)?;
    progress(Event::Stage("drawing the sheets"));
    let files = merged.frames.files.clone();
    let (sheets, (views, figures)) = rayon::join(
        || sheets::write_bracket(&entry, &figures, &settings.sheets, &settings.out, policy),
        || {
            let views = views::write(&merged, &figures.views, settings, policy);
            drop(merged);
            (views, PageFigures::of(&entry, &figures))
        },
    );
    entry.outputs.extend(sheets?);
    entry.outputs.extend(views?);
    Ok(BracketDone {
        entry,
        files,
        figures,
    })
}

/// A bracket whose map and picture are made, with what is known of the wedge.
struct Settled {
    merged: Merged,
    picture: Picture,
    located: Located,
    calibrated: CalibrationOutcome,
}

/// From files to the map and the picture as they are written.
fn settle(plan: &BracketPlan, settings: &Settings, progress: Progress) -> Result<Settled, Error> {
    check_bracket(Job::Run, plan, settings)?;
    let recovered = prepare(plan, settings, progress)?;
    progress(Event::Stage("merging"));
    let merged = merged(recovered)?;
    progress(Event::Stage("looking for the wedge, rendering"));
    // Known densities may change the map.
    let settled = settings.wedge.densities.is_none() && settings.wedge.file.is_none();
    let (located, rendered) = rayon::join(
        || measure::locate(&merged.map, &settings.wedge),
        || settled.then(|| rendering::picture(&merged, settings)),
    );
    let located = located?;
    let calibrated = calibrate(&merged, &located, settings)?;
    let (merged, rendered) = match calibrated.exponent {
        Some(exponent) => {
            progress(Event::Stage("merging by the wedge's exposures"));
            let mut frames = corrected(merged.frames, exponent);
            frames.noise = noise::estimate(&frames.bracket, &frames.response, &frames.clips).0;
            frames.disagreement = uncertainty::observe(&frames);
            let map = MapSource::of(&frames).whole();
            (Merged { frames, map }, None)
        }
        None => (merged, rendered),
    };
    let codes = rendered.unwrap_or_else(|| rendering::picture(&merged, settings))?;
    let picture = Picture::new(codes, rendering::look_of(&merged, settings));
    Ok(Settled {
        merged,
        picture,
        located,
        calibrated,
    })
}

/// Known densities and the flat field, where there are any.
fn calibrate(
    merged: &Merged,
    located: &Located,
    settings: &Settings,
) -> Result<CalibrationOutcome, Error> {
    let flat = match (&located.place, &settings.wedge.flat_field) {
        (Some(_), Some(file)) => Some(FlatField {
            file: file.clone(),
            pixels: formats::read_picture(file, &settings.overrides.limits)?.pixels,
        }),
        _ => None,
    };
    by_densities(&merged.frames, located, flat.as_ref())
}

/// The rendering: 16-bit codes, the same in 8 bits, and these as an sRGB page shows them.
struct Picture {
    tone: ToneSettings,
    codes: Array3<u16>,
    eight: Pixels,
    conversion: DisplayConversion,
}

impl Picture {
    fn new(codes: Array3<u16>, tone: ToneSettings) -> Self {
        Picture {
            tone,
            eight: Pixels::U8(stopspan_tone::to_8_bit(&codes)),
            conversion: DisplayConversion::of(&tone.output.primaries()),
            codes,
        }
    }

    fn finished<'a>(&'a self, merged: &'a Merged, settings: &'a Settings) -> RenderingToWrite<'a> {
        let bracket = &merged.frames.bracket;
        RenderingToWrite {
            map: &merged.map,
            tone: &self.tone,
            codes: &self.codes,
            eight: Some(&self.eight),
            header: &bracket.reference_frame().picture.header,
            delivery: &settings.delivery,
        }
    }

    fn preview(self) -> Option<Array3<u8>> {
        let converted = match self.conversion.picture(&self.eight) {
            Cow::Owned(converted) => Some(converted),
            Cow::Borrowed(_) => None,
        };
        match converted.unwrap_or(self.eight) {
            Pixels::U8(samples) => Some(samples),
            _ => None,
        }
    }
}

/// Measures every picture, compares the camera's with the merge, and draws what the page shows.
fn look(
    merged: &Merged,
    picture: &Picture,
    (located, calibrated): (Located, CalibrationOutcome),
    settings: &Settings,
) -> (
    BracketMeasurement,
    Option<ComparisonWithMarks>,
    BracketFigures,
) {
    let frames = &merged.frames;
    let camera_at = stopspan_align::locate_camera_picture(&frames.bracket);
    let measured = measure::measure_bracket(merged, &picture.eight, camera_at, located, calibrated);
    let finished = frames.bracket.camera_hdr.as_ref();
    let compared = finished.zip(camera_at).map(|(finished, placement)| {
        compare::compare(&ComparisonInput {
            file: &finished.name(),
            finished: &finished.picture.pixels,
            colour: finished.primaries(),
            placement,
            map: &merged.map,
            bracket: &frames.bracket,
            response: &frames.response,
            measured: &measured.pictures,
            single: measured.scene.as_ref().and_then(|s| s.kept_by()),
            edge: settings.edge,
        })
    });
    let seen = picture.conversion.picture(&picture.eight);
    let input = FigureInput {
        merged,
        rendered: &seen,
        measured: &measured,
        compared: compared.as_ref(),
    };
    let detail = before_after::detail(merged);
    let mut figures = figure::of_bracket(input, detail.as_ref());
    figures.crops = sheet::crop_rows(input, &settings.sheets);
    (measured, compared, figures)
}

fn nothing_usable(bracket: &Bracket) -> Error {
    let frames = bracket.frames.iter();
    Error::Bracket {
        files: frames.map(|f| f.picture.file.clone()).collect(),
        problem: BracketProblem::NothingUsable,
    }
}
