//! The wedge counted on one picture or map, as it is dragged: nothing is written. And wedges kept for the next camera.
use super::kept::{Kept, Memory};
use super::limits::limits;
use super::reply::{Answer, Refusal, Reply};
use super::shared::Shared;
use super::wishes::{WedgeWish, read};
use crate::pipeline::{OpenedPicture, Settings, measure_on};
use serde::Deserialize;
use serde_json::{Value, json};
use std::path::Path;
use std::sync::Arc;
use std::time::Instant;
use stopspan_core::Error;
use stopspan_core::error::OutputProblem;
use stopspan_core::finding::Finding;
use stopspan_core::model::file_name;
use stopspan_core::results::{BracketReport, PictureKind, PictureMeasurement, WedgePlace};
use stopspan_formats::staged::{Outputs, write_whole};
use stopspan_measure::WedgeRequest;
use stopspan_measure::wedge::KeptWedge;
use stopspan_report::words;

/// Most bytes of pictures kept for counting.
const OPENED: usize = 128 << 20;

/// Pictures kept for counting.
pub(super) struct Counted(Kept<OpenedPicture>);

impl Default for Counted {
    fn default() -> Self {
        Counted(Kept::new(OPENED))
    }
}

impl Memory for OpenedPicture {
    fn bytes(&self) -> usize {
        let pixels = &self.frame().picture.pixels;
        let (rows, columns, channels) = pixels.dim();
        rows * columns * channels * pixels.bits() as usize / 8
    }
}

impl Counted {
    /// Lets pictures go, where a run needs the memory.
    pub fn clear(&self) {
        self.0.clear();
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Question {
    /// Id of a picture or map.
    on: String,
    #[serde(default)]
    wedge: Option<WedgeWish>,
}

/// What was counted.
#[derive(Default)]
struct Count {
    wedge: Option<WedgePlace>,
    measured: Option<PictureMeasurement>,
    findings: Vec<Finding>,
}

/// Counts the wedge on a picture or a map.
pub(super) fn count(desk: &Shared, body: Value) -> Answer {
    let begun = Instant::now();
    let question: Question = read(body)?;
    let wish = question
        .wedge
        .unwrap_or_else(|| desk.state().wishes.wedge.clone());
    let request = wish.request(desk)?;
    let counted = match question.on.starts_with('m') {
        true => on_map(desk, &question.on, &request)?,
        false => on_picture(desk, &question.on, &request)?,
    };
    let measured = counted.measured.as_ref();
    let findings = counted
        .findings
        .iter()
        .chain(measured.iter().flat_map(|m| &m.findings));
    Ok(Reply::json(&json!({
        "wedge": counted.wedge.as_ref().map(|w| place(w, measured)),
        "levels": measured.map(|m| m.levels),
        "steps": measured.map_or_else(Vec::new, steps),
        "words": findings.map(words::finding).collect::<Vec<_>>(),
        "milliseconds": begun.elapsed().as_millis() as u64,
    })))
}

fn on_map(desk: &Shared, id: &str, request: &WedgeRequest) -> Result<Count, Refusal> {
    let opened = desk.opened_maps.get(desk, id)?;
    let measured = measure_on(&opened.map, request, &|_| ())?;
    Ok(Count {
        wedge: measured.wedge,
        measured: measured.picture,
        findings: measured.findings,
    })
}

fn on_picture(desk: &Shared, id: &str, request: &WedgeRequest) -> Result<Count, Refusal> {
    let settings = Settings::new(Vec::new(), Default::default());
    let measured = picture(desk, id)?.measure(request, &settings, &brackets(desk))?;
    Ok(match measured {
        Ok(measured) => Count {
            wedge: Some(measured.wedge),
            measured: Some(measured.measured),
            findings: measured.findings,
        },
        Err(findings) => Count {
            findings,
            ..Count::default()
        },
    })
}

fn picture(desk: &Shared, id: &str) -> Result<Arc<OpenedPicture>, Refusal> {
    let file = desk.picture(id)?;
    let finished = desk.is_finished(&file);
    let kind = if finished {
        PictureKind::CameraHdr
    } else {
        PictureKind::Frame
    };
    let mut settings = Settings::new(Vec::new(), Default::default());
    settings.overrides.limits = limits();
    desk.counted
        .0
        .get(&file, || Ok(OpenedPicture::open(&file, kind, &settings)?))
}

/// The brackets of the latest run, whose responses may be known for the picture's camera.
fn brackets(desk: &Shared) -> Vec<BracketReport> {
    let folder = desk.state().run.as_ref().map(|run| run.folder.clone());
    let brackets = folder.iter().flat_map(|f| super::results::finished(f));
    brackets.map(|(_, bracket)| bracket.entry).collect()
}

/// A wedge with the measured interiors of its steps.
fn place(wedge: &WedgePlace, measured: Option<&PictureMeasurement>) -> Value {
    let patches = measured.iter().flat_map(|m| &m.patches);
    let corners = |quad: &[stopspan_core::raster::Point; 4]| quad.map(|p| [p.x, p.y]);
    let patches = patches.map(|p| json!({ "step": p.step, "corners": corners(&p.corners) }));
    json!({
        "corners": corners(&wedge.corners), "rows": wedge.rows, "columns": wedge.columns,
        "dark_first": wedge.dark_first, "boustrophedon": wedge.boustrophedon,
        "confidence": wedge.confidence, "patches": patches.collect::<Vec<_>>(),
    })
}

/// Every step, and whether it is resolved from the one before it.
fn steps(measured: &PictureMeasurement) -> Vec<Value> {
    let of_step = |patch: &stopspan_core::results::Patch| {
        let joined = measured.joined.iter().find(|j| j.1 == patch.step);
        let first = patch.step == 1;
        json!({
            "step": patch.step, "density": patch.density,
            "resolved": (!first).then_some(joined.is_none()),
            "reason": joined.map(|j| words::reason_name(j.2)),
            "snr": Some(patch.snr).filter(|s| s.is_finite()),
            "clipped": patch.clipped_share, "code": patch.code,
        })
    };
    measured.patches.iter().map(of_step).collect()
}

/// Every wedge kept among the results.
pub(super) fn kept_wedges(desk: &Shared) -> Answer {
    let results = &desk.places.results;
    let below = |folder: &Path| {
        let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
        entries.map(|e| e.path()).collect::<Vec<_>>()
    };
    let mut files: Vec<_> = below(results);
    let runs: Vec<_> = files.iter().flat_map(|f| below(f)).collect();
    files.extend(runs.iter().map(|bracket| bracket.join("wedge.json")));
    files.retain(|f| f.extension().is_some_and(|e| e == "json"));
    files.sort();
    let wedges = files.iter().filter_map(|file| {
        desk.places.readable(file).ok()?;
        let kept = KeptWedge::read(file).ok()?;
        let from = file
            .strip_prefix(results)
            .unwrap_or(file)
            .display()
            .to_string();
        Some(json!({
            "wedge": desk.wedges.id(file), "from": from,
            "columns": kept.picture.columns, "rows": kept.picture.rows,
            "grid": { "rows": kept.grid.rows, "columns": kept.grid.columns },
            "dark_first": kept.dark_first, "boustrophedon": kept.boustrophedon,
            "densities": kept.densities, "corners": kept.corners,
        }))
    });
    Ok(Reply::json(
        &json!({ "wedges": wedges.collect::<Vec<_>>() }),
    ))
}

/// Keeps a wedge with the size of the picture it was pointed out on.
pub(super) fn keep_wedge(desk: &Shared, body: Value) -> Answer {
    let question: Question = read(body)?;
    let wish = question
        .wedge
        .unwrap_or_else(|| desk.state().wishes.wedge.clone());
    let request = wish.request(desk)?;
    let (counted, (rows, columns)) = if question.on.starts_with('m') {
        let (rows, columns, _) = desk.opened_maps.get(desk, &question.on)?.map.radiance.dim();
        (on_map(desk, &question.on, &request)?, (rows, columns))
    } else {
        let (rows, columns, _) = picture(desk, &question.on)?.frame().picture.pixels.dim();
        (on_picture(desk, &question.on, &request)?, (rows, columns))
    };
    let wedge = counted.wedge.ok_or_else(|| {
        let found = counted
            .findings
            .iter()
            .map(words::finding)
            .collect::<Vec<_>>();
        Refusal::senseless(format!("There is no wedge to keep. {}", found.join(" ")))
    })?;
    let folder = &desk.places.results;
    std::fs::create_dir_all(folder).map_err(|e| super::places::unwritable(folder, &e))?;
    let names = (1..10_000).map(|n| folder.join(format!("wedge-{n}.json")));
    let path = names.into_iter().find(|p| p.symlink_metadata().is_err());
    let path = path.ok_or_else(|| Error::output(folder, OutputProblem::Unwritable, None))?;
    write_whole(&path, &Outputs::default(), |sink| {
        let text = KeptWedge::of(&wedge, columns, rows).text();
        sink.write_all(text.map_err(std::io::Error::other)?.as_bytes())
    })?;
    let id = desk.wedges.id(&path);
    Ok(Reply::json(
        &json!({ "wedge": id, "from": file_name(&path) }),
    ))
}
