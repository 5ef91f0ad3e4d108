//! Sections on finished pictures and raw files of the same shots: a table per pair of brackets, cut highlights and shadows, true curve.
use super::super::figure;
use super::super::raw_table::sentences;
use super::super::words::{decimal, percent, stops_interval};
use super::bracket::chart;
use super::escape;
use super::table::{Table, none};
use std::fmt::Write;
use stopspan_core::results::LevelsAndRange;
use stopspan_core::results::{BracketReport, Report};
use stopspan_core::results::{SavedTwice, SavedTwiceRow};

/// Writes a section for every bracket that the camera saved in both forms.
pub(super) fn raw_tables(out: &mut String, report: &Report) {
    for pair in &report.saved_twice {
        let finished = report.brackets.iter().find(|b| b.name == pair.finished);
        if let Some(finished) = finished {
            section(out, pair, finished);
        }
    }
}

fn section(out: &mut String, pair: &SavedTwice, finished: &BracketReport) {
    let _ = writeln!(
        out,
        "<section>\n<h2>The camera\u{2019}s pictures beside its raw files: {}</h2>",
        escape(&pair.finished)
    );
    table(out, pair, finished);
    out.push_str("<ul class=\"findings\">\n");
    for sentence in sentences(finished) {
        let _ = writeln!(out, "<li>{}</li>", escape(&sentence));
    }
    out.push_str("</ul>\n<div class=\"charts\">\n");
    chart(
        out,
        figure::curve_from_raw(finished, &format!("{}-twice", super::id_of(&finished.name))),
        "Recovered response against the raw files",
        "Bands: 95 % interval of the points from the raw files. The scale of exposure is free: the mean difference of each channel was removed.",
    );
    out.push_str("</div>\n</section>\n");
}

fn table(out: &mut String, pair: &SavedTwice, finished: &BracketReport) {
    let mut table = Table::new(
        "stack compare",
        "The same shots as finished pictures and as raw: steps resolved by noise, dynamic range at SNR 1 in stops with 95 % intervals. Removing noise or compressing it away makes a finished picture look deeper than the sensor is. Clipped alone, black alone: share of places that only the finished picture lost.",
        &[
            "shot",
            "steps, picture",
            "steps, raw",
            "stops, picture",
            "stops, raw",
            "more in raw",
            "clipped alone",
            "black alone",
        ],
    );
    let beside = finished.raw_beside.as_ref();
    for row in &pair.rows {
        let lost = beside.and_then(|b| {
            let file = row.finished.file.as_ref()?;
            b.frames.iter().find(|f| f.file == *file)
        });
        let (head, below) = names(row);
        let [clipped, black] = [lost.map(|l| l.clipped_alone), lost.map(|l| l.black_alone)];
        table.row(
            &head,
            &below,
            &[
                steps(&row.finished, pair.finished_steps),
                steps(&row.raw, pair.raw_steps),
                range(&row.finished),
                range(&row.raw),
                row.more_in_raw_stops.map_or_else(none, |s| decimal(s, 2)),
                clipped.map_or_else(none, percent),
                black.map_or_else(none, percent),
            ],
        );
    }
    table.finish(out);
}

fn names(row: &SavedTwiceRow) -> (String, String) {
    match &row.finished.file {
        Some(file) => (file.clone(), row.raw.file.clone().unwrap_or_default()),
        None => ("merge".into(), String::new()),
    }
}

fn steps(figure: &LevelsAndRange, of: Option<usize>) -> String {
    let steps = figure.levels.zip(of);
    steps.map_or_else(none, |(n, of)| format!("{n} of {of}"))
}

fn range(figure: &LevelsAndRange) -> String {
    figure.snr1.as_ref().map_or_else(none, stops_interval)
}
