//! The report as one self-contained HTML page: no network, no scripts; for light and dark screens and for paper.
//!
//! In reading order: the page as a whole (this file); `escape` for text from files; `cameras` and `raw_table`, the sections over several
//! brackets; `bracket`, the section of one, with its parts `table`, `strips`, `scene`, `register`, `comparison` and `densities`; `notes`,
//! definitions and provenance at the end.
mod bracket;
mod cameras;
mod comparison;
mod densities;
mod escape;
mod lone;
mod notes;
mod raw_table;
mod register;
mod scene;
pub(crate) mod strips;
mod table;

pub(crate) use escape::escape;

use super::Figures;
use super::words::count;
use crate::figure::BracketFigures;
use std::fmt::Write;
use stopspan_core::results::{BracketReport, Report, WithoutBracket};

const STYLE: &str = include_str!("style.css");

/// Where the sections of the brackets are.
#[derive(Debug, Clone, Copy)]
pub enum Sections<'a> {
    /// On the page: one per bracket of the report, made by [`section`].
    Here(&'a [String]),
    /// On separate pages, `report.html` in each bracket's folder, to which this page links.
    Elsewhere,
}

/// Returns the report as one HTML document. Text from files (names, tags) is escaped; every picture has a text alternative. The
/// same report and pictures give the same bytes.
pub fn page(report: &Report, figures: &Figures) -> String {
    let none = BracketFigures::default();
    let sections: Vec<String> = report
        .brackets
        .iter()
        .enumerate()
        .map(|(index, entry)| section(entry, figures.brackets.get(index).unwrap_or(&none)))
        .collect();
    let lone: Vec<String> = report
        .without_bracket
        .iter()
        .enumerate()
        .map(|(index, entry)| {
            let figures = figures.without_bracket.get(index);
            lone_section(entry, figures.unwrap_or(&none))
        })
        .collect();
    page_of(report, Sections::Here(&sections), &lone)
}

/// Returns the section of one camera's pictures without a bracket, without its head.
pub fn lone_section(entry: &WithoutBracket, figures: &BracketFigures) -> String {
    let mut out = String::new();
    lone::body(&mut out, entry, figures, &id_of(&entry.name));
    out
}

/// Returns the section of one bracket without its head, for [`Sections::Here`].
pub fn section(entry: &BracketReport, figures: &BracketFigures) -> String {
    let mut out = String::new();
    bracket::body(&mut out, entry, figures, &id(entry));
    out
}

/// Identifier of a bracket's section; as unique as the bracket's name.
fn id(entry: &BracketReport) -> String {
    id_of(&entry.name)
}

fn id_of(name: &str) -> String {
    let letters = name.bytes().map(|byte| match byte {
        b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' => char::from(byte).to_string(),
        other => format!("_{other:02x}"),
    });
    format!("b-{}", letters.collect::<String>())
}

/// Like [`page`], with sections made beforehand: of the brackets, and of the pictures `without_bracket`.
pub fn page_of(report: &Report, sections: Sections, without_bracket: &[String]) -> String {
    let mut out = String::new();
    let title = title(report);
    let _ = writeln!(
        out,
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta name=\"color-scheme\" content=\"light dark\">\n<title>{}</title>\n<style>\n{STYLE}</style>\n</head>\n<body>\n\
         <header class=\"page\"><p class=\"kicker\">{} {} &middot; measurement report</p>\n<h1>{}</h1>",
        escape(&title),
        escape(&report.program.name),
        escape(&report.program.version),
        escape(&title)
    );
    summary(&mut out, report, sections);
    out.push_str("</header>\n<main>\n");
    cameras::cameras(&mut out, report);
    raw_table::raw_tables(&mut out, report);
    if let Sections::Here(sections) = sections {
        let alone = report.brackets.len() == 1;
        for (entry, section) in report.brackets.iter().zip(sections) {
            bracket::head(&mut out, entry, &id(entry), alone);
            out.push_str(section);
        }
    }
    let alone = report.brackets.is_empty() && report.without_bracket.len() == 1;
    for (entry, section) in report.without_bracket.iter().zip(without_bracket) {
        lone::head(&mut out, entry, &id_of(&entry.name), alone);
        out.push_str(section);
    }
    left_aside(&mut out, report);
    notes::definitions(&mut out);
    notes::provenance(&mut out, report);
    out.push_str("</main>\n</body>\n</html>\n");
    out
}

fn title(report: &Report) -> String {
    match report.brackets.as_slice() {
        [] => match report.without_bracket.as_slice() {
            [] => "Nothing measured".to_owned(),
            [one] => one.camera.clone().unwrap_or_else(|| one.name.clone()),
            many => count(many.len(), "camera", "cameras"),
        },
        [one] => one.name.clone(),
        many => format!("{} brackets", many.len()),
    }
}

/// Headline of each bracket and of each camera without one, with links if there are several.
fn summary(out: &mut String, report: &Report, sections: Sections) {
    let place = |name: &str| match sections {
        Sections::Here(_) => format!("#{}", id_of(name)),
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
        [] => out.push_str("<p class=\"lead\">Nothing was measured; what was left aside or failed is listed below.</p>\n"),
        [(_, _, headline)] => {
            let _ = writeln!(out, "<p class=\"lead\">{}</p>", escape(headline));
        }
        many => {
            out.push_str("<ul class=\"answers\">\n");
            for (place, name, headline) in many {
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
    if report.singles.is_empty() && report.skipped.is_empty() && report.failed.is_empty() {
        return;
    }
    out.push_str("<section>\n<h2>Left aside</h2>\n<ul class=\"findings\">\n");
    for one in &report.failed {
        let _ = writeln!(
            out,
            "<li class=\"warning\"><b>Failed</b> {}: {}; {}.</li>",
            escape(&one.name),
            escape(&one.problem),
            escape(&one.advice)
        );
    }
    for (word, list) in [
        ("Not measured", &report.singles),
        ("Skipped", &report.skipped),
    ] {
        for one in list {
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
