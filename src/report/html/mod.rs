//! The report as one self-contained HTML page: no network, one script for its viewer; for light and dark screens and for paper.
//!
//! In reading order: the page as a whole (this file); `escape` for text from files; `cameras` and `raw_table`, the sections over several
//! brackets; `bracket`, the section of one, with its parts `answer`, `table` (and `level_counts`), `strips`, `scene`, `register`, `comparison`, `densities` and `viewer`; `notes`,
//! definitions and provenance at the end, with `files`.
mod answer;
mod bracket;
mod cameras;
mod comparison;
mod densities;
mod escape;
mod files;
mod level_counts;
mod lone;
mod notes;
mod raw_table;
mod register;
mod scene;
pub(crate) mod strips;
mod table;
mod viewer;

pub(crate) use escape::escape;
pub use viewer::{VIEWER_MODULE, VIEWER_STYLE, viewer_script, viewer_script_source};

use super::Figures;
use super::lone::as_bracket;
use super::words::{count, subject};
use crate::figure::{BracketFigures, PageFigures};
use std::fmt::Write;
use stopspan_core::results::{Report, UnusedFile};

const STYLE: &str = include_str!("style.css");

/// Where the sections of the brackets are.
#[derive(Debug, Clone, Copy)]
pub enum Sections<'a> {
    /// On the page: the pictures of each bracket of the report.
    Here(&'a [PageFigures]),
    /// On the page, which lies in the folder of its only bracket.
    Alone(&'a PageFigures),
    /// On separate pages, `report.html` in each bracket's folder, to which this page links.
    Elsewhere,
}

/// Returns the report as one HTML document. Text from files (names, tags) is escaped; every picture has a text alternative. The
/// same report and pictures give the same bytes.
pub fn page(report: &Report, figures: &Figures) -> String {
    let none = BracketFigures::default();
    let brackets = report.brackets.iter().enumerate();
    let brackets = brackets
        .map(|(index, entry)| PageFigures::of(entry, figures.brackets.get(index).unwrap_or(&none)));
    let brackets: Vec<PageFigures> = brackets.collect();
    let lone = report.without_bracket.iter().enumerate();
    let lone = lone.map(|(index, entry)| {
        let figures = figures.without_bracket.get(index);
        PageFigures::of(&as_bracket(entry), figures.unwrap_or(&none))
    });
    let lone: Vec<PageFigures> = lone.collect();
    page_of(report, Sections::Here(&brackets), &lone)
}

/// Identifier of a section; as unique as its name.
fn id_of(name: &str) -> String {
    let letters = name.bytes().map(|byte| match byte {
        b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' => char::from(byte).to_string(),
        other => format!("_{other:02x}"),
    });
    format!("b-{}", letters.collect::<String>())
}

/// Like [`page`], with pictures encoded beforehand: of the brackets, and of the pictures `without_bracket`.
pub fn page_of(report: &Report, sections: Sections, without_bracket: &[PageFigures]) -> String {
    let mut out = String::new();
    let title = title(report);
    let _ = writeln!(
        out,
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta name=\"color-scheme\" content=\"light dark\">\n<title>{}</title>\n<style>\n{STYLE}{VIEWER_STYLE}</style>\n</head>\n<body>\n\
         <header class=\"page\"><p class=\"kicker\">{} {} &middot; measurement report</p>\n<h1>{}</h1>",
        escape(&title),
        escape(&report.program.name),
        escape(&report.program.version),
        escape(&title)
    );
    summary(&mut out, report, sections);
    out.push_str("</header>\n<main>\n");
    let alone = report.brackets.len() + report.without_bracket.len() == 1;
    let (here, in_its_folder) = match sections {
        Sections::Here(sections) => (sections, false),
        Sections::Alone(section) => (std::slice::from_ref(section), true),
        Sections::Elsewhere => (&[][..], false),
    };
    cameras::cameras(&mut out, report, here, without_bracket);
    raw_table::raw_tables(&mut out, report);
    for (entry, figures) in report.brackets.iter().zip(here) {
        let folder = match in_its_folder {
            true => String::new(),
            false => format!("{}/", address(&entry.name)),
        };
        let id = id_of(&entry.name);
        bracket::head(&mut out, entry, &id, alone);
        bracket::body(&mut out, entry, figures, (&id, &folder));
        close(&mut out, alone);
    }
    for (entry, figures) in report.without_bracket.iter().zip(without_bracket) {
        let id = id_of(&entry.name);
        lone::head(&mut out, entry, &id, alone);
        lone::body(&mut out, entry, figures, &id);
        close(&mut out, alone);
    }
    left_aside(&mut out, report);
    notes::definitions(&mut out);
    notes::provenance(&mut out, report, sections);
    if out.contains("data-viewer") {
        let _ = writeln!(
            out,
            "</main>\n<script type=\"module\">{}</script>",
            viewer_script()
        );
    } else {
        out.push_str("</main>\n");
    }
    out.push_str("</body>\n</html>\n");
    out
}

/// Opens a section: the only one of a page, or one of several, which are folded under a line with name and headline.
fn open(out: &mut String, id: &str, title: &str, headline: &str, alone: bool) {
    if alone {
        let _ = writeln!(
            out,
            "<section class=\"bracket\" id=\"{id}\"><h2 class=\"unseen\">Results</h2>"
        );
        return;
    }
    let _ = writeln!(
        out,
        "<details class=\"bracket\" id=\"{id}\"><summary><h2>{}</h2></summary>\n<section>\n<p class=\"answer\">{}</p>",
        escape(title),
        escape(headline)
    );
}

/// Closes what [`open`] opened around a section.
fn close(out: &mut String, alone: bool) {
    if !alone {
        out.push_str("</details>\n");
    }
}

fn title(report: &Report) -> String {
    match report.brackets.as_slice() {
        [] => match report.without_bracket.as_slice() {
            [] if report.cameras.is_some() => "Default shots compared".to_owned(),
            [] => "Nothing measured".to_owned(),
            [one] => one.camera.clone().unwrap_or_else(|| one.name.clone()),
            many => count(many.len(), "camera", "cameras"),
        },
        [one] if report.without_bracket.is_empty() => subject(one),
        many => match report.without_bracket.len() {
            0 => format!("{} brackets", many.len()),
            lone => format!(
                "{}, {} without",
                count(many.len(), "bracket", "brackets"),
                count(lone, "camera", "cameras")
            ),
        },
    }
}

/// Headline of each bracket and of each camera without one, with links if there are several.
fn summary(out: &mut String, report: &Report, sections: Sections) {
    let place = |name: &str| match sections {
        Sections::Here(_) | Sections::Alone(_) => format!("#{}", id_of(name)),
        Sections::Elsewhere => format!("{}/report.html", address(name)),
    };
    let brackets = report.brackets.iter();
    let brackets = brackets.map(|b| (place(&b.name), b.name.as_str(), b.headline.as_str()));
    let lone = report.without_bracket.iter().map(|w| {
        let name = w.camera.as_deref().unwrap_or(&w.name);
        (format!("#{}", id_of(&w.name)), name, w.headline.as_str())
    });
    let all: Vec<(String, &str, &str)> = brackets.chain(lone).collect();
    match all.as_slice() {
        [] => out.push_str("<p class=\"lead\">Nothing was measured; files not used and failures are listed below.</p>\n"),
        [(_, _, headline)] => {
            let _ = writeln!(out, "<p class=\"lead\">{}</p>", escape(headline));
        }
        many => {
            out.push_str("<ul class=\"answers\">\n");
            for (place, name, headline) in many {
                let headline = match sections {
                    Sections::Elsewhere => headline,
                    _ => &"", // stands with the section
                };
                let _ = writeln!(
                    out,
                    "<li><a href=\"{place}\">{}</a> {}</li>",
                    escape(name),
                    escape(headline)
                );
            }
            out.push_str("</ul>\n");
        }
    }
}

/// Percent-encodes a file name for a URI (RFC 3986, 2.1).
fn address(name: &str) -> String {
    let letters = name.bytes().map(|byte| match byte {
        b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => {
            char::from(byte).to_string()
        }
        other => format!("%{other:02X}"),
    });
    letters.collect()
}

fn left_aside(out: &mut String, report: &Report) {
    let passed = report.skipped.iter().any(UnusedFile::may_be_a_picture);
    if report.singles.is_empty() && !passed && report.failed.is_empty() {
        return;
    }
    out.push_str("<section>\n<h2>Files not used</h2>\n<ul class=\"findings\">\n");
    for one in &report.failed {
        let _ = writeln!(
            out,
            "<li class=\"warning\"><b>Failed</b> {}: {}; {}.</li>",
            escape(&one.name),
            escape(&one.problem),
            escape(&one.advice)
        );
    }
    let lists = [
        ("Not measured", &report.singles),
        ("Skipped", &report.skipped),
    ];
    for (word, list) in lists {
        for one in list.iter().filter(|one| one.may_be_a_picture()) {
            let _ = writeln!(
                out,
                "<li><b>{word}</b> {}: {}</li>",
                escape(&one.path),
                escape(&one.reason)
            );
        }
    }
    out.push_str("</ul>\n</section>\n");
}
