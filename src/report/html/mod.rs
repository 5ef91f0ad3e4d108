//! Report + pictures -> one self-contained page: no network, no scripts; light and dark, screen and paper.
//!
//! In reading order: the page, escaping, cameras beside each other, one bracket, its tables, its known densities, its
//! wedge strips, definitions and provenance.
mod bracket;
mod cameras;
mod comparison;
mod densities;
mod escape;
mod notes;
mod scene;
pub(crate) mod strips;
mod table;

pub(crate) use escape::escape;

use super::{Figures, Report};
use crate::report::figure::BracketFigures;
use std::fmt::Write;

const STYLE: &str = include_str!("style.css");

/// The report as one HTML document. Text from outside (file names, tags) is escaped; every picture has a text
/// alternative. The same report and pictures give the same bytes.
pub fn page(report: &Report, figures: &Figures) -> String {
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
    summary(&mut out, report);
    out.push_str("</header>\n<main>\n");
    cameras::cameras(&mut out, report);
    let none = BracketFigures::default();
    for (index, entry) in report.brackets.iter().enumerate() {
        let pictures = figures.brackets.get(index).unwrap_or(&none);
        let alone = report.brackets.len() == 1;
        bracket::head(&mut out, entry, index, alone);
        bracket::body(&mut out, entry, pictures, index);
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
fn summary(out: &mut String, report: &Report) {
    match report.brackets.as_slice() {
        [] => out.push_str("<p class=\"lead\">No bracket was measured; what was left aside or failed is listed below.</p>\n"),
        [one] => {
            let _ = writeln!(out, "<p class=\"lead\">{}</p>", escape(&one.headline));
        }
        many => {
            out.push_str("<ul class=\"answers\">\n");
            for (index, one) in many.iter().enumerate() {
                let _ = writeln!(
                    out,
                    "<li><a href=\"#b{index}\">{}</a> {}</li>",
                    escape(&one.name),
                    escape(&one.headline)
                );
            }
            out.push_str("</ul>\n");
        }
    }
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
