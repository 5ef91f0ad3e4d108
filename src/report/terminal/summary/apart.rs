//! The short text on pictures without a bracket: a camera at a time, and once what is true of all.
use super::{LINES, plain, table, warnings, wrap};
use crate::words::{self, lone};
use std::fmt::Write;
use stopspan_core::finding::Severity;
use stopspan_core::results::{PictureKind, PictureMeasurement, Report, WithoutBracket};

/// Most notes of a camera that has no table.
const FEW: usize = 2;

/// Writes the pictures without a bracket. Cameras that the table over cameras shows, without stops, have their notes in one list;
/// any other camera has a table of its own.
pub(super) fn text(out: &mut String, report: &Report) {
    let compared = report.cameras.as_ref().is_some_and(|c| !c.rows.is_empty());
    let listed =
        |e: &&WithoutBracket| compared && !e.pictures.iter().any(|p| p.light.gives_stops());
    let (listed, apart): (Vec<_>, Vec<_>) = report.without_bracket.iter().partition(listed);
    match listed.as_slice() {
        [] => {}
        [entry] => out.push_str(&one(entry)),
        several => list(out, several),
    }
    if !listed.is_empty() {
        out.push('\n');
    }
    for entry in apart {
        out.push_str(&one(entry));
        out.push('\n');
    }
}

/// The notes of several cameras: first those that all share, then the most serious of each with its name, and how many more there are.
fn list(out: &mut String, entries: &[&WithoutBracket]) {
    let notes: Vec<_> = entries.iter().map(|e| lone::findings(e)).collect();
    let shared = shared(&notes);
    let number = words::count(entries.len(), "camera", "cameras");
    let title = format!("Pictures of {number} without a bracket:");
    wrap(out, &plain(&title), "", "  ");
    for (_, text) in &shared {
        wrap(out, &plain(text), "! ", "  ");
    }
    let mut hidden = 0;
    for (entry, notes) in entries.iter().zip(notes) {
        let own = notes.iter().filter(|note| !shared.contains(note));
        let (serious, others): (Vec<_>, Vec<_>) = own.partition(|(s, _)| *s == Severity::Warning);
        hidden += others.len() + serious.len().saturating_sub(FEW);
        let camera = entry.camera.as_deref().unwrap_or(&entry.name);
        for (_, text) in serious.into_iter().take(FEW) {
            wrap(out, &plain(&format!("{camera}: {text}")), "! ", "  ");
        }
    }
    if hidden > 0 {
        let hidden = words::count(hidden, "more note", "more notes");
        let _ = writeln!(out, "{hidden} in report.html.");
    }
}

/// The warnings that every one of several cameras has.
fn shared(notes: &[Vec<(Severity, String)>]) -> Vec<(Severity, String)> {
    let in_all = |note: &&(Severity, String)| notes.iter().all(|list| list.contains(note));
    let first = notes.iter().take(1).flatten();
    let first = first.filter(|(severity, _)| *severity == Severity::Warning);
    first.filter(in_all).cloned().collect()
}

/// One camera: its table, what its linear light rests on, and its most serious notes.
fn one(entry: &WithoutBracket) -> String {
    let mut out = String::new();
    let camera = entry.camera.as_deref().unwrap_or(&entry.name);
    let number = words::count(entry.pictures.len(), "picture", "pictures");
    let title = format!("{camera}: {number} without a bracket");
    wrap(&mut out, &plain(&title), "", "  ");
    let rows = rows(entry);
    table(&mut out, &rows);
    let hidden = entry.pictures.len() - rows.len();
    if hidden > 0 {
        let hidden = words::count(hidden, "more picture", "more pictures");
        let _ = writeln!(out, "{hidden} in report.html.");
    }
    wrap(&mut out, &plain(&lone::lights(entry)), "", "  ");
    warnings(&mut out, &lone::findings(entry));
    out
}

fn rows(entry: &WithoutBracket) -> Vec<(&str, &PictureMeasurement)> {
    let pictures = entry.pictures.iter().take(LINES / 2);
    let row = pictures.map(|p| {
        let name = match p.measured.kind {
            PictureKind::CameraHdr => "HDR",
            _ => "single shot",
        };
        (name, &p.measured)
    });
    row.collect()
}
