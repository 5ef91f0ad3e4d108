//! The files a run leaves: map, picture, report; each written whole or not at all.
use super::batch;
use super::delivery::{Delivery, RenderingToWrite, SOFTWARE, kind_of};
use super::sheets;
use rayon::prelude::*;
use std::ops::Range;
use std::path::Path;
use std::sync::Mutex;
use stopspan_core::error::OutputProblem;
use stopspan_core::model::{Bracket, Recovered, ReferenceTones, raw_of};
use stopspan_core::model::{Planes, RadianceMap};
use stopspan_core::results::WedgePlace;
use stopspan_core::results::{OutputFile, Report};
use stopspan_core::units::Primaries;
use stopspan_core::{Error, Setting};
use stopspan_formats::map_file;
use stopspan_formats::map_file::{MapStorage, Strips};
use stopspan_formats::openexr::{Attributes, TONES};
use stopspan_formats::rgbe;
use stopspan_formats::staged::{Outputs, write_whole};
use stopspan_measure::wedge::KeptWedge;
use stopspan_merge::in_space;
use stopspan_report::html::Sections;
use stopspan_report::{BracketRecord, PageFigures};
use stopspan_report::{csv, html, json};

/// File name of the wedge kept for other runs.
const WEDGE: &str = "wedge.json";
/// Rows of a map as a file of it wants them.
type RowsOf = fn(&RadianceMap, Range<usize>) -> Planes;
/// Files of the map, and what each holds of it.
const MAPS: [(&str, &str, RowsOf); 2] = [
    (
        "radiance map with uncertainty and flags, OpenEXR",
        "radiance.exr",
        Planes::of_rows,
    ),
    (
        "radiance map, Radiance RGBE",
        "radiance.hdr",
        Planes::of_radiance,
    ),
];
/// Files of the rendering: for any display, and two for displays with headroom.
const PICTURES: [(&str, &str, bool); 4] = [
    (
        "rendered picture, JPEG",
        stopspan_core::results::RENDERED_FILE,
        false,
    ),
    ("rendered picture, 16-bit PNG", "picture.png", false),
    (
        "rendered picture with a gain map (ISO 21496-1), JPEG",
        "picture-bright.jpg",
        true,
    ),
    (
        "rendered picture in PQ (BT.2100), 16-bit PNG",
        "picture-bright.png",
        true,
    ),
];
const REPORTS: [&str; 6] = [
    "report.json",
    "report.html",
    "levels.csv",
    "steps.csv",
    "stops.csv",
    "comparison.csv",
];
/// Written where cameras stand beside each other.
const CAMERAS: &str = "cameras.csv";

/// Brackets whose sections stand on one page, at most; of more each has a page of its own.
const ON_ONE_PAGE: usize = 8;

/// True if a run left its results in a folder: its report, or a folder in it with a bracket that is finished.
fn left_results(folder: &Path) -> bool {
    let report = std::fs::read(folder.join(REPORTS[0])).unwrap_or_default();
    let report: serde_json::Value = serde_json::from_slice(&report).unwrap_or_default();
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    report["program"]["name"] == stopspan_core::PROGRAM
        || entries
            .map(|e| e.path())
            .any(|inner| batch::is_finished(&inner))
}

/// True of files that an earlier run into `folder` left there, which are no inputs of a later one.
pub(super) fn is_result(path: &Path, folder: &Path) -> bool {
    let Ok(Some(place)) = path.strip_prefix(folder).map(|p| p.iter().next()) else {
        return false;
    };
    let inner = folder.join(place);
    if inner.is_dir() {
        return batch::is_finished(&inner) || (place == sheets::FOLDER && left_results(folder));
    }
    let named = REPORTS.iter().chain([&CAMERAS]).any(|name| place == *name);
    named && left_results(folder)
}

/// Refuses early if a report is there that may not be replaced.
pub(super) fn check_reports(folder: &Path, policy: &Outputs) -> Result<(), Error> {
    REPORTS
        .iter()
        .chain([&CAMERAS])
        .try_for_each(|name| policy.check(&folder.join(name)))
}

pub(super) fn make_folder(folder: &Path) -> Result<(), Error> {
    std::fs::create_dir_all(folder)
        .map_err(|e| Error::output(folder, OutputProblem::Unwritable, Some(e)))
}

pub(super) fn write_report(
    report: &Report,
    (sections, lone): (Sections, &[PageFigures]),
    folder: &Path,
    policy: &Outputs,
) -> Result<(), Error> {
    let texts = [
        json::text(report)?,
        html::page_of(report, sections, lone),
        csv::levels(report)?,
        csv::steps(report)?,
        csv::stops(report)?,
        csv::comparison(report)?,
    ];
    let cameras = csv::cameras(report)?.map(|text| (&CAMERAS, text));
    for (name, text) in REPORTS.iter().zip(texts).chain(cameras) {
        write_whole(&folder.join(name), policy, |sink| {
            sink.write_all(text.as_bytes())
        })?;
    }
    Ok(())
}

/// True if a run over so many brackets gives each a page of its own.
pub(super) fn own_pages(brackets: usize) -> bool {
    brackets > ON_ONE_PAGE
}

/// The page of one bracket of a run over many, in its folder.
pub(super) fn write_page(
    report: &Report,
    done: &BracketRecord,
    folder: &Path,
    policy: &Outputs,
) -> Result<(), Error> {
    let alone = Report {
        settings: report.settings.clone(),
        inputs: done.inputs.clone(),
        brackets: vec![done.entry.clone()],
        ..Report::new()
    };
    let page = html::page_of(&alone, Sections::Alone(&done.figures), &[]);
    write_whole(&folder.join(REPORTS[1]), policy, |sink| {
        sink.write_all(page.as_bytes())
    })
}

/// Map as EXR and RGBE, rendering as JPEG and 16-bit PNG, side by side; where one cannot be written, none of those is left that
/// were not there before.
pub(super) fn write_bracket(
    folder: &Path,
    policy: &Outputs,
    frames: &Recovered,
    rendered: &RenderingToWrite,
    wedge: Option<&WedgePlace>,
) -> Result<Vec<OutputFile>, Error> {
    make_folder(folder)?;
    let (map, delivery) = (rendered.map, rendered.delivery);
    let new = Mutex::new(Vec::new());
    let file = |what: &str, name: &str, write: &dyn Fn(&Path) -> Result<(), Error>| {
        let path = folder.join(name);
        let there = path.symlink_metadata().is_ok();
        write(&path)?;
        if !there && let Ok(mut new) = new.lock() {
            new.push(path.clone());
        }
        Ok(OutputFile {
            what: what.into(),
            path: format!("{}/{name}", frames.bracket.name),
            bytes: std::fs::metadata(path).map(|m| m.len()).ok(),
        })
    };
    let maps = || {
        MAPS.par_iter().map(|(what, name, rows_of)| {
            file(what, name, &|path| {
                let strips = Strips {
                    shape: map.radiance.dim(),
                    rows: |rows| rows_of(map, rows),
                };
                write_map(path, policy, frames, delivery, &strips)
            })
        })
    };
    let pictures = || {
        PICTURES[..if delivery.bright { 4 } else { 2 }]
            .par_iter()
            .map(|(what, name, bright)| {
                file(what, name, &|path| {
                    rendered.write(path, kind_of(path, *bright)?, policy)
                })
            })
    };
    let kept = || {
        wedge.map(|place| {
            let (rows, columns, _) = map.radiance.dim();
            let what = format!("where the wedge is, for {}", Setting::WedgeFile);
            file(&what, WEDGE, &|path| {
                write_whole(path, policy, |sink| {
                    let text = KeptWedge::of(place, columns, rows).text();
                    sink.write_all(text.map_err(std::io::Error::other)?.as_bytes())
                })
            })
        })
    };
    let outputs: Result<Vec<OutputFile>, Error> = maps().chain(pictures()).collect();
    let outputs = outputs.and_then(|mut outputs| {
        outputs.extend(kept().transpose()?);
        Ok(outputs)
    });
    if outputs.is_err() {
        for path in new.into_inner().into_iter().flatten() {
            let _ = std::fs::remove_file(path); // the error that counts is the first
        }
    }
    outputs
}

/// The map as EXR (by ending `.exr`) or RGBE (`.hdr`), from rows made as they are asked for.
pub(super) fn write_map(
    path: &Path,
    policy: &Outputs,
    frames: &Recovered,
    delivery: &Delivery,
    map: &Strips<impl Fn(Range<usize>) -> Planes + Sync>,
) -> Result<(), Error> {
    let ending = path
        .extension()
        .map(|e| e.to_string_lossy().to_ascii_lowercase());
    let space = written_in(&frames.bracket);
    let (shape, rows) = (map.shape, |range| in_space((map.rows)(range), &space));
    match ending.as_deref() {
        Some("exr") => {
            let how = MapStorage {
                attributes: attributes(frames),
                samples: delivery.map_samples,
                scheme: delivery.map_scheme,
            };
            map_file::write_exr(path, policy, &how, &Strips { shape, rows })
        }
        Some("hdr") => write_whole(path, policy, |sink| {
            let head = rgbe::Head {
                shape,
                software: SOFTWARE,
                primaries: Some(space.single()),
            };
            rgbe::write_strips(sink, &head, |range| rows(range).radiance)
        }),
        _ => Err(Error::output(path, OutputProblem::UnknownKind, None)),
    }
}

/// The RGB space maps are written in: that of the frames, but sRGB's primaries where that is a raw camera's own, which few
/// readers would honour.
fn written_in(bracket: &Bracket) -> Primaries {
    match raw_of(bracket) {
        Some(_) => Primaries::SRGB,
        None => bracket.primaries(),
    }
}

/// Standard attributes of the reference frame. No whiteLuminance: radiance is relative.
fn attributes(frames: &Recovered) -> Attributes {
    let bracket = &frames.bracket;
    let frame = bracket.reference_frame();
    let tones = ReferenceTones::of(&frames.response, &frame.balance).text();
    let header = &frame.picture.header;
    Attributes {
        exposure_time: frame.settings.time.map(|t| t.0 as f32),
        aperture: frame.settings.aperture.map(|n| n.0 as f32),
        iso_speed: frame.settings.speed.map(|s| s.0 as f32),
        capture_date: header.captured.clone(),
        owner: header.copyright.clone(),
        comments: Some(
            "relative radiance; 1.0 just clips the reference frame's green channel".into(),
        ),
        software: Some(SOFTWARE.into()),
        chromaticities: Some(written_in(bracket).single()),
        custom: [(TONES.to_owned(), tones)].into(),
        ..Attributes::default()
    }
}
