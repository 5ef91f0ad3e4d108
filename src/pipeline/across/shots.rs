//! The default shot of every camera, decoded, with what was measured on it.
use super::super::lone_light;
use super::super::memory::{Job, check_file};
use super::super::settings::Settings;
use super::{camera_of, settings_of};
use rayon::prelude::*;
use std::path::{Path, PathBuf};
use stopspan_core::Error;
use stopspan_core::model::colour::stated_colour;
use stopspan_core::model::{Bracket, DisplayConversion, Frame, Limits, file_name};
use stopspan_core::results::{LinearLight, Patch, PictureMeasurement, Report};
use stopspan_frames::{self as frames, PlannedMemory, Survey};
use stopspan_measure::{Place, Shot};
use stopspan_report as report;
use stopspan_report::sheet::CameraStrip;

/// The decoded shots, which are held at once, may take one part in so many of the memory limit.
const SHARE: u64 = 2;

/// A decoded default shot.
pub(super) struct Taken {
    /// Camera from the metadata, else the file name.
    pub camera: String,
    /// A bracket of one frame.
    alone: Bracket,
    /// The measurement on its wedge.
    pub measured: Option<PictureMeasurement>,
    /// True if its light rests on an assumed transfer function.
    pub assumed: bool,
}

/// A default shot to be decoded.
pub(super) struct DefaultShot {
    file: PathBuf,
    measured: Option<PictureMeasurement>,
    assumed: bool,
}

/// The reference frame of every bracket but those of raw files beside another, the best single picture of every camera without one, and the
/// single shots that were not measured; as many as fit into memory.
pub(super) fn default_shots(report: &Report, survey: &Survey, limits: &Limits) -> Vec<DefaultShot> {
    let raw: Vec<&String> = report
        .brackets
        .iter()
        .filter_map(|b| Some(&b.raw_beside.as_ref()?.bracket))
        .collect();
    let brackets = report.brackets.iter().filter(|b| !raw.contains(&&b.name));
    let of_brackets = brackets.filter_map(|b| {
        let plan = survey.brackets.iter().find(|p| p.name == b.name)?;
        let frame = b.frames.iter().find(|f| f.reference)?;
        let file = plan.frames.iter().map(|f| &f.file);
        let file = file.into_iter().find(|f| file_name(f) == frame.file)?;
        Some(DefaultShot {
            file: file.clone(),
            measured: b.pictures.frame(&frame.file).cloned(),
            assumed: false,
        })
    });
    let own = |camera: &Option<String>| {
        camera.is_some() && report.brackets.iter().any(|b| b.camera == *camera)
    };
    let lone = report.without_bracket.iter().filter(|w| !own(&w.camera));
    let of_pictures = lone.filter_map(|w| {
        let best = w.best_single().or_else(|| w.best_camera_hdr())?;
        Some(DefaultShot {
            file: PathBuf::from(&best.path),
            measured: Some(best.measured.clone()),
            assumed: best.light == LinearLight::Srgb,
        })
    });
    let measured = |file: &Path| {
        let mut all = report.without_bracket.iter().flat_map(|w| &w.pictures);
        all.any(|p| Path::new(&p.path) == file)
    };
    let others = survey.singles.iter().filter(|file| !measured(file));
    let others = others.map(|file| DefaultShot {
        file: file.clone(),
        measured: None,
        assumed: true,
    });
    let all = of_brackets.chain(of_pictures).chain(others);
    let mut taken = 0u64;
    let fits = |shot: &DefaultShot| {
        let file = shot.file.as_path();
        let planned = PlannedMemory::of_files([file].into_iter(), limits);
        taken = taken.saturating_add(planned.pictures.samples);
        taken <= limits.memory / SHARE
    };
    all.take_while(fits).collect()
}

/// Decodes the shots; those that cannot be decoded were reported before. Of shots that were not measured only the first of a camera that
/// has no other is kept.
pub(super) fn load(files: Vec<DefaultShot>, settings: &Settings, report: &Report) -> Vec<Taken> {
    let decoded: Vec<Option<Taken>> = files
        .into_par_iter()
        .map(|shot| {
            let alone = developed(&shot.file, settings).ok()?;
            let header = &alone.frames[0].picture.header;
            let camera = camera_of(report::camera_name(header), &file_name(&shot.file));
            Some(Taken {
                camera,
                alone,
                measured: shot.measured,
                assumed: shot.assumed,
            })
        })
        .collect();
    let mut out: Vec<Taken> = Vec::new();
    let known = |camera: &str| {
        let brackets = report.brackets.iter().map(|b| b.camera.as_deref());
        let lone = report.without_bracket.iter().map(|w| w.camera.as_deref());
        brackets.chain(lone).any(|c| c == Some(camera))
    };
    for taken in decoded.into_iter().flatten() {
        let there = out.iter().any(|t| t.camera == taken.camera) || known(&taken.camera);
        if taken.measured.is_some() || !there {
            out.push(taken);
        }
    }
    out
}

/// Decodes a picture as a bracket of one frame; raw samples are demosaiced.
pub(super) fn developed(file: &Path, settings: &Settings) -> Result<Bracket, Error> {
    check_file(Job::Picture, file, &settings.overrides.limits)?;
    let mut alone = frames::load_lone(file, &settings.overrides)?;
    lone_light::linear_light(&mut alone, settings);
    Ok(alone)
}

impl Taken {
    pub fn frame(&self) -> &Frame {
        &self.alone.frames[0]
    }

    pub fn file(&self) -> String {
        self.frame().name()
    }

    /// The measured patches, lightest first; none without a wedge.
    pub fn patches(&self) -> impl Iterator<Item = &Patch> {
        self.measured.iter().flat_map(|m| &m.patches)
    }

    /// Conversion to sRGB for display.
    pub fn shown(&self) -> DisplayConversion {
        let primaries = stated_colour(&self.frame().picture.header).primaries;
        DisplayConversion::of_frame(self.frame(), &primaries)
    }

    pub fn shot(&self, places: Vec<Place>) -> Shot {
        Shot {
            camera: self.camera.clone(),
            file: self.file(),
            settings: self.frame().settings,
            places,
        }
    }

    /// The wedge for the sheet across cameras; `None` without one.
    pub fn strip(&self) -> Option<CameraStrip> {
        let measured = self.measured.as_ref().filter(|m| m.levels.is_some())?;
        let strip =
            report::figure::strip_of_pixels(measured, &self.frame().picture.pixels, self.shown())?;
        Some(CameraStrip {
            camera: self.camera.clone(),
            about: [settings_of(self), self.file()],
            assumed: self.assumed,
            picture: measured.clone(),
            strip,
        })
    }
}
