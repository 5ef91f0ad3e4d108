//! The top of a bracket's section: the merged picture beside the wedge strips, then one line each on what to use and what to mind.
use super::super::figure::{self, PageFigures};
use super::super::words::{self, scene as say};
use super::bracket::{chart, preview_text, view_linked};
use super::{escape, strips};
use std::fmt::Write;
use stopspan_core::finding::Severity;
use stopspan_core::results::{BracketReport, RENDERED_FILE};

/// Most warnings that are not folded.
const WARNINGS: usize = 3;

/// Writes picture, strips, verdicts, ranges and notes.
pub(super) fn answer(
    out: &mut String,
    bracket: &BracketReport,
    pictures: &PageFigures,
    (id, folder): (&str, &str),
) {
    let mut first = String::new();
    if let Some(picture) = &pictures.preview {
        let file = format!("{folder}{RENDERED_FILE}");
        view_linked(&mut first, picture, &file, &preview_text(bracket));
    }
    let mut beside = String::new();
    strips::strips(&mut beside, bracket, pictures);
    let mut range = String::new();
    let caption = words::range_caption(bracket.pictures.iter(), bracket.wedge.is_some(), true);
    let title = "Dynamic range";
    chart(&mut range, figure::range(bracket, id), title, &caption);
    // Strips are tall: the ranges then stand below the picture.
    match beside.is_empty() {
        true => beside = range,
        false => first += &range,
    }
    if !first.is_empty() || !beside.is_empty() {
        let _ = writeln!(
            out,
            "<div class=\"first\">\n<div>{first}</div>\n<div>{beside}</div>\n</div>"
        );
    }
    verdicts(out, bracket);
    notes(out, &words::all_findings(bracket));
}

/// One sentence each: the frame to use alone, what the bracket lacks, what the merge adds, the camera's HDR picture.
fn verdicts(out: &mut String, bracket: &BracketReport) {
    let scene = bracket.scene.as_ref();
    let lines = [
        (
            "Single frame",
            scene.and_then(|s| say::single(s, &bracket.frames)),
        ),
        ("Bracket", scene.and_then(say::reach)),
        (
            "Camera\u{2019}s HDR",
            bracket.comparison.as_ref().and_then(words::comparison),
        ),
    ];
    let lines: Vec<(&str, String)> = lines
        .into_iter()
        .filter_map(|(name, text)| Some((name, text?)))
        .collect();
    if lines.is_empty() {
        return;
    }
    out.push_str("<dl class=\"verdicts\">\n");
    for (name, text) in lines {
        let text = text.replace(" -", " \u{2212}");
        let _ = writeln!(out, "<div><dt>{name}</dt><dd>{}</dd></div>", escape(&text));
    }
    out.push_str("</dl>\n");
}

/// The most serious warnings; the others and all notes folded.
pub(super) fn notes(out: &mut String, list: &[(Severity, String)]) {
    let serious = list.iter().filter(|(s, _)| *s == Severity::Warning).count();
    let (shown, folded) = list.split_at(serious.min(WARNINGS));
    if !shown.is_empty() {
        items(out, shown);
    }
    if !folded.is_empty() {
        let more = words::count(folded.len(), "more note", "more notes");
        let _ = writeln!(out, "<details><summary>{more}</summary>");
        items(out, folded);
        out.push_str("</details>\n");
    }
}

fn items(out: &mut String, list: &[(Severity, String)]) {
    out.push_str("<ul class=\"findings\">\n");
    for (severity, sentence) in list {
        let (class, word) = match severity {
            Severity::Warning => ("warning", "Warning"),
            Severity::Note => ("note", "Note"),
        };
        let _ = writeln!(
            out,
            "<li class=\"{class}\"><b>{word}</b> {}</li>",
            escape(sentence)
        );
    }
    out.push_str("</ul>\n");
}
