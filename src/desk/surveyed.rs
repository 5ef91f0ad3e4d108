//! A survey as the page shows it.
use super::choosing::{Edits, Opened};
use super::limits::limits;
use super::shared::Shared;
use serde_json::{Value, json};
use std::path::Path;
use stopspan_core::finding::Finding;
use stopspan_core::model::file_name;
use stopspan_formats as formats;
use stopspan_frames::{BracketPlan, FinishedPlan, FramePlan, Survey};
use stopspan_report::{camera_name, words};

/// Everything a survey found, with ids for its pictures and sentences for its reasons.
pub(super) fn value(survey: &Survey, edits: &Edits, opened: &Opened, desk: &Shared) -> Value {
    let brackets: Vec<Value> = survey.brackets.iter().map(|b| bracket(b, desk)).collect();
    let hdr = survey.camera_hdr.iter().map(|h| finished(h, desk));
    let singles = survey.singles.iter().map(|file| {
        let reason = Finding::Single {
            frame: file_name(file),
        };
        json!({ "picture": desk.pictures.id(file), "file": file_name(file), "camera": camera(file), "reason": words::finding(&reason) })
    });
    let unused = survey.skipped.iter();
    let unused = unused.map(|s| json!({ "file": file_name(&s.file), "reason": s.reason.words() }));
    let strays = opened.strays.iter();
    let strays = strays.map(|s| {
        let reason = "a link that leads outside the folders that may be read";
        json!({ "file": file_name(s), "reason": reason })
    });
    let failed = survey
        .failed
        .iter()
        .map(|f| json!({ "file": file_name(&f.file), "problem": f.problem, "advice": f.advice }));
    let excluded = edits.excluded();
    let excluded =
        excluded.map(|f| json!({ "picture": desk.pictures.id(f), "file": file_name(f) }));
    let about_all = survey.findings.iter();
    let about_all = about_all.filter(|f| !matches!(f, Finding::Single { .. }));
    json!({
        "brackets": brackets,
        "camera_hdr": hdr.collect::<Vec<_>>(),
        "singles": singles.collect::<Vec<_>>(),
        "unused": unused.chain(strays).collect::<Vec<_>>(),
        "failed": failed.collect::<Vec<_>>(),
        "excluded": excluded.collect::<Vec<_>>(),
        "words": about_all.map(words::finding).collect::<Vec<_>>(),
    })
}

fn bracket(plan: &BracketPlan, desk: &Shared) -> Value {
    let reference = plan.frames.get(plan.reference);
    json!({
        "name": plan.name,
        "camera": reference.and_then(|f| camera(&f.file)),
        "reference": plan.reference,
        "frames": plan.frames.iter().map(|f| frame(f, desk)).collect::<Vec<_>>(),
        "camera_hdr": plan.camera_hdr.as_ref().map(|h| finished(h, desk)),
        "raw_beside": plan.raw_beside,
        "words": plan.findings.iter().map(words::finding).collect::<Vec<_>>(),
    })
}

fn frame(plan: &FramePlan, desk: &Shared) -> Value {
    json!({
        "picture": desk.pictures.id(&plan.file),
        "file": file_name(&plan.file),
        "time": plan.settings.time.map(|t| t.0),
        "aperture": plan.settings.aperture.map(|n| n.0),
        "iso": plan.settings.speed.map(|s| s.0),
        "stops": plan.exposure.map(|e| e.used.value),
        "step": plan.step_stops,
        "bias": plan.bias,
        "captured": plan.captured,
        "exposure": words::settings_words(&plan.settings),
    })
}

fn finished(plan: &FinishedPlan, desk: &Shared) -> Value {
    json!({ "picture": desk.pictures.id(&plan.file), "file": file_name(&plan.file), "reason": plan.evidence })
}

/// Maker and model as the file states them.
fn camera(file: &Path) -> Option<String> {
    let header = formats::read_header(file, &limits()).ok()?;
    camera_name(&header)
}
