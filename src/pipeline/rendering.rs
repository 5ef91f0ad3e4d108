//! The picture of a bracket; and a map that is a file already, rendered again.
use super::delivery::{Delivery, RenderingToWrite, kind_of};
use super::memory::{Job, check_file};
use super::settings::{Event, Settings};
use ndarray::Array3;
use std::path::{Path, PathBuf};
use stopspan_core::error::InputProblem;
use stopspan_core::model::Limits;
use stopspan_core::model::raw_of;
use stopspan_core::model::{Merged, RadianceMap, ReferenceTones};
use stopspan_core::{Error, Setting};
use stopspan_formats::Opened;
use stopspan_formats::staged::Outputs;
use stopspan_tone as tone;
use stopspan_tone::ToneSettings;
use stopspan_tone::fusion;
use stopspan_tone::fusion::FusedFrame;

/// The picture of a bracket: from its map, or by fusion of its frames.
///
/// # Errors
/// [`Error::Request`] where frames that are no finished pictures were to be fused.
pub(super) fn picture(merged: &Merged, settings: &Settings) -> Result<Array3<u16>, Error> {
    if !settings.fuse {
        return Ok(tone::render(&merged.map, &look_of(merged, settings)));
    }
    let bracket = &merged.frames.bracket;
    if raw_of(bracket).is_some() {
        let problem = "exposure fusion works on finished pictures, not on raw frames";
        return Err(Error::request(Setting::Tone, problem));
    }
    let frames: Vec<FusedFrame> = bracket
        .frames
        .iter()
        .map(|f| FusedFrame {
            pixels: &f.picture.pixels,
            transform: f.transform,
        })
        .collect();
    Ok(fusion::fuse(
        &frames,
        bracket.primaries(),
        settings.tone.output,
    ))
}

/// The look asked for, held to the tones of the reference frame.
pub(super) fn look_of(merged: &Merged, settings: &Settings) -> ToneSettings {
    let balance = &merged.frames.bracket.reference_frame().balance;
    ToneSettings {
        reference: Some(ReferenceTones::of(&merged.frames.response, balance)),
        ..settings.tone
    }
}

/// What can be asked of a rendering.
#[derive(Debug, Clone)]
pub struct RenderSettings {
    /// The map: OpenEXR, Radiance RGBE, or a JPEG with a gain map.
    pub map: PathBuf,
    /// Pictures to write; the ending says what each is to be.
    pub out: Vec<PathBuf>,
    /// The look.
    pub tone: ToneSettings,
    /// How files are written.
    pub delivery: Delivery,
    /// Limits on what the map's file may claim.
    pub limits: Limits,
    /// Replace files that are there.
    pub overwrite: bool,
}

/// Opens a map whose radiance is finite everywhere, within limits.
///
/// # Errors
/// [`Error::Input`]: what [`stopspan_formats::open`] refuses, more memory than the limit, and values that are not finite.
pub fn opened(map: &Path, limits: &Limits) -> Result<Opened, Error> {
    check_file(Job::Map, map, limits)?;
    finite(map, stopspan_formats::open(map, limits)?)
}

fn finite(map: &Path, opened: Opened) -> Result<Opened, Error> {
    if opened.map.radiance.iter().any(|v| !v.is_finite()) {
        return Err(Error::input(map, InputProblem::NotFinite));
    }
    Ok(opened)
}

/// Renders a map into one or more pictures.
///
/// # Errors
/// [`Error::Input`] for a file that holds no map, or one with values that are not finite; [`Error::Output`] where a picture cannot be written, or has an ending
/// that stands for none. What was written before an error stays.
pub fn render(settings: &RenderSettings, progress: &(dyn Fn(Event) + Sync)) -> Result<(), Error> {
    let policy = Outputs {
        overwrite: settings.overwrite,
        inputs: vec![settings.map.clone()],
    };
    let bright = settings.delivery.bright;
    for path in &settings.out {
        kind_of(path, bright)?;
        policy.check(path)?;
    }
    progress(Event::Stage("reading the map"));
    let (file, limits) = (&settings.map, &settings.limits);
    check_file(Job::Map, file, limits)?;
    let opened = finite(file, stopspan_formats::open_to_show(file, limits)?)?;
    let (mut map, header) = (opened.map, opened.header);
    let look = ToneSettings {
        reference: settings.tone.reference.or(header.reference_tones),
        ..settings.tone
    };
    // Pictures that reach above reference white are made of the map anew. For others each part of it goes when it was used.
    progress(Event::Stage("rendering"));
    let prepared = tone::Prepared::of(&map, &look);
    if !bright {
        map = RadianceMap::of_radiance(map.radiance, map.primaries);
    }
    let codes = prepared.paint(&map.radiance);
    drop(prepared);
    if !bright {
        map = RadianceMap::of_radiance(Array3::default((0, 0, 0)), map.primaries);
    }
    progress(Event::Stage("writing"));
    let finished = RenderingToWrite {
        map: &map,
        tone: &look,
        codes: &codes,
        eight: None,
        header: &header,
        delivery: &settings.delivery,
    };
    let paths = settings.out.iter();
    paths
        .into_iter()
        .try_for_each(|path| finished.write(path, kind_of(path, bright)?, &policy))
}
