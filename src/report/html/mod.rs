//! Report + pictures -> one self-contained page: no network, no scripts; light and dark, screen and paper.
//!
//! In reading order: the page, escaping, cameras beside each other, pictures beside raw files, one bracket, how its frames lay, its tables, its known densities, its
//! wedge strips, definitions and provenance.
mod bracket;
mod cameras;
mod comparison;
mod densities;
mod escape;
mod notes;
mod raw_beside;
mod register;
mod scene;
pub(crate) mod strips;
mod table;

pub(crate) use escape::escape;

use super::Figures;
use crate::figure::BracketFigures;
use std::fmt::Write;
use stopspan_core::results::{BracketReport, Report};

const STYLE: &str = include_str!("style.css");

/// The sections of a page's brackets.
#[derive(Debug, Clone, Copy)]
pub enum Sections<'a> {
    /// On the page, one a bracket of the report, from [`section`].
    Here(&'a [String]),
    /// On pages of their own, `report.html` in each bracket's folder; this page links to them.
    Elsewhere,
}

/// The report as one HTML document. Text from outside (file names, tags) is escaped; every picture has a text
/// alternative. The same report and pictures give the same bytes.
pub fn page(report: &Report, figures: &Figures) -> String {
    let none = BracketFigures::default();
    let sections: Vec<String> = report
        .brackets
        .iter()
        .enumerate()
        .map(|(index, entry)| section(entry, figures.brackets.get(index).unwrap_or(&none)))
        .collect();
    page_of(report, Sections::Here(&sections))
}

/// What the page says of one bracket below its head.
pub fn section(entry: &BracketReport, figures: &BracketFigures) -> String {
    let mut out = String::new();
    bracket::body(&mut out, entry, figures, &id(entry));
    out
}

/// An identifier for a bracket's section, unique as its name is.
fn id(entry: &BracketReport) -> String {
    let letters = entry.name.bytes().map(|byte| match byte {
        b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' => char::from(byte).to_string(),
        other => format!("_{other:02x}"),
    });
    format!("b-{}", letters.collect::<String>())
}

/// [`page`] with sections that were made before.
pub fn page_of(report: &Report, sections: Sections) -> String {
    let mut out = String::new();
    let title = title(report);
    let _ = writeln!(
        out,
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta name=\"color-scheme\" content=\"light dark\">\n<title>{}</title>\n<style>\n{STYLE}</style>\n</head>\n<body>\n\
         <header class=\"page\"><p class=\"kicker\">{} {} &middot; exposure bracket report</p>\n<h1>{}</h1>",
        escape(&title),
        escape(&report.program.name),
        escape(&report.program.version),
        escape(&title)
    );
    summary(&mut out, report, sections);
    out.push_str("</header>\n<main>\n");
    cameras::cameras(&mut out, report);
    raw_beside::raw_beside(&mut out, report);
    if let Sections::Here(sections) = sections {
        let alone = report.brackets.len() == 1;
        for (entry, section) in report.brackets.iter().zip(sections) {
            bracket::head(&mut out, entry, &id(entry), alone);
            out.push_str(section);
        }
    }
    left_aside(&mut out, report);
    notes::definitions(&mut out);
    notes::provenance(&mut out, report);
    out.push_str("</main>\n</body>\n</html>\n");
    out
}

fn title(report: &Report) -> String {
    match report.brackets.as_slice() {
        [] => "No bracket measured".to_owned(),
        [one] => one.name.clone(),
        many => format!("{} brackets", many.len()),
    }
}

/// The answer of each bracket, with a link where there are several.
fn summary(out: &mut String, report: &Report, sections: Sections) {
    match report.brackets.as_slice() {
        [] => out.push_str("<p class=\"lead\">No bracket was measured; what was left aside or failed is listed below.</p>\n"),
        [one] => {
            let _ = writeln!(out, "<p class=\"lead\">{}</p>", escape(&one.headline));
        }
        many => {
            out.push_str("<ul class=\"answers\">\n");
            for one in many {
                let place = match sections {
                    Sections::Here(_) => format!("#{}", id(one)),
                    Sections::Elsewhere => format!("{}/report.html", address(&one.name)),
                };
                let _ = writeln!(
                    out,
                    "<li><a href=\"{place}\">{}</a> {}</li>",
                    escape(&one.name),
                    escape(&one.headline)
                );
            }
            out.push_str("</ul>\n");
        }
    }
}

/// A file name as part of an address (RFC 3986, 2.1).
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
        ("No bracket", &report.singles),
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
