//! Report as text for a terminal 80 columns wide: short ([`summary`]) and whole ([`table`]).
mod lone;
mod summary;

pub use summary::summary;

use super::raw_table::sentences;
use super::words::{self, decimal};
use std::fmt::Write;
use stopspan_core::error::printable;
use stopspan_core::finding::Severity;
use stopspan_core::results::LevelsAndRange;
use stopspan_core::results::SavedTwice;
use stopspan_core::results::{BracketReport, Report};
use stopspan_core::results::{Limit, PictureKind, PictureMeasurement, UsableStops};

/// Longest line, characters; a single longer word is not broken.
const WIDTH: usize = 79;

/// Returns the whole run as text. Each bracket has its headline, a row per picture (steps by noise, code and visual; stops down to
/// SNR 1 and 10 with 95 % intervals; the limit of the range at SNR 1) and its findings; unused files and failed jobs follow. Lines have
/// at most 79 characters; control characters in file names are shown as "?".
pub fn table(report: &Report) -> String {
    let mut out = String::new();
    for bracket in &report.brackets {
        bracket_text(&mut out, bracket);
    }
    for entry in &report.without_bracket {
        lone::text(&mut out, entry);
    }
    for pair in &report.saved_twice {
        saved_twice(&mut out, report, pair);
    }
    cameras(&mut out, report);
    for (title, left) in [
        ("Pictures not measured:", &report.singles),
        ("Not taken as pictures:", &report.skipped),
    ] {
        if !left.is_empty() {
            let _ = writeln!(out, "{title}");
            for one in left {
                item(&mut out, &format!("{}: {}", one.path, one.reason));
            }
            out.push('\n');
        }
    }
    if !report.failed.is_empty() {
        let _ = writeln!(out, "Failed:");
        for one in &report.failed {
            item(
                &mut out,
                &format!("{}: {}; {}", one.name, one.problem, one.advice),
            );
        }
        out.push('\n');
    }
    if out.is_empty() {
        out.push_str("Nothing was found to measure.\n");
    }
    out.truncate(out.trim_end().len());
    out.push('\n');
    out
}

fn bracket_text(out: &mut String, bracket: &BracketReport) {
    let frames = words::count(bracket.frames.len(), "frame", "frames");
    let _ = writeln!(out, "{}: {frames}", plain(&bracket.name));
    wrap(out, &plain(&bracket.headline), "", "");
    out.push('\n');
    if !bracket.pictures.is_empty() {
        let steps = bracket.pictures.steps();
        let of = steps.map_or_else(String::new, |n| format!("(of {n})"));
        let intervals = words::any_interval(bracket.pictures.iter());
        let _ = writeln!(
            out,
            "{:17} {:^17}    dynamic range, stops{}",
            "",
            format!("steps {of}"),
            if intervals { " (95 % interval)" } else { "" }
        );
        let _ = writeln!(
            out,
            "{:17} {:>5} {:>4} {:>6} {:>18} {:>18} limit",
            "picture", "noise", "code", "visual", "at SNR 1", "at SNR 10"
        );
        for picture in bracket.pictures.iter() {
            row(out, picture);
        }
        out.push('\n');
    }
    scene(out, bracket);
    findings(out, bracket);
}

/// Lines on the scene: which frame to use where nothing is merged, what the bracket lacks, share recorded by each frame; and on the gain
/// of the merge.
fn scene(out: &mut String, bracket: &BracketReport) {
    use words::scene as say;
    let scene = bracket.scene.as_ref();
    let lines = [
        (
            "single: ",
            scene.and_then(|s| say::single(s, &bracket.frames)),
        ),
        ("bracket: ", scene.and_then(say::reach)),
        ("scene: ", say::held(bracket)),
        ("gain: ", say::gain(bracket)),
    ];
    for (name, text) in lines
        .iter()
        .filter_map(|(name, t)| Some((name, t.as_ref()?)))
    {
        wrap(out, &plain(text), name, "  ");
    }
    if scene.is_some() || !bracket.gain.is_empty() {
        out.push('\n');
    }
}

/// Sentences on the default shots of several cameras, and reasons to compare with care.
fn cameras(out: &mut String, report: &Report) {
    let Some(comparison) = &report.cameras else {
        return;
    };
    let shots = comparison.shots.as_ref().map(words::cameras::shots);
    let shots = shots.filter(|said| !said.is_empty());
    if let Some(said) = &shots {
        wrap(out, &plain(&said.join(" ")), "default shots: ", "  ");
    }
    let care = words::cameras::compare_with_care(comparison);
    for sentence in &care {
        wrap(out, &plain(sentence), "compare with care: ", "  ");
    }
    if shots.is_some() || !care.is_empty() {
        out.push('\n');
    }
}

/// Table of finished pictures and raw files of the same shots.
fn saved_twice(out: &mut String, report: &Report, pair: &SavedTwice) {
    let names = format!("{} beside the raw files in {}", pair.finished, pair.raw);
    wrap(out, &plain(&names), "", "");
    let _ = writeln!(
        out,
        "{:17} {:^11}   dynamic range at SNR 1, stops",
        "", "steps"
    );
    let _ = writeln!(
        out,
        "{:17} {:>7} {:>4} {:>18} {:>18} {:>8}",
        "shot", "picture", "raw", "picture", "raw", "more"
    );
    let number = |n: Option<usize>| n.map_or_else(|| "-".to_owned(), |n| n.to_string());
    for row in &pair.rows {
        let range = |f: &LevelsAndRange| f.snr1.as_ref().map_or_else(|| "-".to_owned(), interval);
        let file = row.finished.file.as_deref().unwrap_or("merge");
        let more = row.more_in_raw_stops;
        let _ = writeln!(
            out,
            "{:17} {:>7} {:>4} {:>18} {:>18} {:>8}",
            shortened(file),
            number(row.finished.levels),
            number(row.raw.levels),
            range(&row.finished),
            range(&row.raw),
            more.map_or_else(|| "-".to_owned(), |m| decimal(m, 2))
        );
    }
    let finished = report.brackets.iter().find(|b| b.name == pair.finished);
    for sentence in finished.map(sentences).unwrap_or_default() {
        wrap(out, &plain(&sentence), "", "  ");
    }
    out.push('\n');
}

fn row(out: &mut String, picture: &PictureMeasurement) {
    let number = |n: Option<usize>| n.map_or_else(|| "-".to_owned(), |n| n.to_string());
    let levels = picture.levels;
    let range = |snr| picture.at_snr(snr).map_or_else(|| "-".to_owned(), interval);
    let _ = writeln!(
        out,
        "{:17} {:>5} {:>4} {:>6} {:>18} {:>18} {}",
        name(picture),
        number(levels.map(|l| l.noise)),
        number(levels.and_then(|l| l.code)),
        number(levels.map(|l| l.visual)),
        range(1.0),
        range(10.0),
        picture
            .at_snr(1.0)
            .filter(|u| u.stops.is_some())
            .map_or_else(|| "-".to_owned(), |u| limit(u.limited_by))
    );
}

/// A range as "9.8 (9.7-9.9)"; with ">=" before it if the wedge ends first.
fn interval(usable: &UsableStops) -> String {
    let Some(value) = usable.stops else {
        return "-".to_owned();
    };
    let bound = if usable.limited_by == Limit::Wedge {
        ">="
    } else {
        ""
    };
    let value = decimal(value, 1);
    match (usable.low95, usable.high95) {
        (Some(low), Some(high)) => {
            format!("{bound}{value} ({}-{})", decimal(low, 1), decimal(high, 1))
        }
        _ => format!("{bound}{value}"),
    }
}

fn limit(limit: Limit) -> String {
    let word = match limit {
        Limit::File { .. } => "file",
        Limit::Noise => "noise",
        Limit::Clipping => "black",
        Limit::Wedge => "wedge",
        Limit::Glare => "glare",
        Limit::Compression => "JPEG",
    };
    word.to_owned()
}

/// A frame's shortened file name; the kind of any other picture.
fn name(picture: &PictureMeasurement) -> String {
    if picture.kind != PictureKind::Frame {
        return words::kind_words(picture.kind).to_owned();
    }
    shortened(&picture.file)
}

/// A file name, shortened in its middle to 17 characters.
fn shortened(file: &str) -> String {
    shortened_to(file, 17)
}

/// A name, shortened in its middle to so many characters, at least 8.
fn shortened_to(name: &str, most: usize) -> String {
    let letters: Vec<char> = plain(name).chars().collect();
    if letters.len() <= most {
        return letters.into_iter().collect();
    }
    let head = most / 4;
    let tail = letters[letters.len() - (most - head - 2)..].iter();
    letters[..head]
        .iter()
        .chain(&['.', '.'])
        .chain(tail)
        .collect()
}

/// Findings of the bracket and its pictures: warnings first, without repetition.
fn findings(out: &mut String, bracket: &BracketReport) {
    let list = words::all_findings(bracket);
    sentences_of(out, &list);
    if !list.is_empty() {
        out.push('\n');
    }
}

/// Writes findings with their severity.
fn sentences_of(out: &mut String, list: &[(Severity, String)]) {
    for (severity, sentence) in list {
        let first = match severity {
            Severity::Warning => "warning: ",
            Severity::Note => "note: ",
        };
        wrap(out, &plain(sentence), first, "  ");
    }
}

fn item(out: &mut String, text: &str) {
    wrap(out, &plain(text), "- ", "  ");
}

/// Writes `text` in lines of at most [`WIDTH`] characters, with `first` before the first line and `next` before the others. A longer
/// word has a line of its own.
fn wrap(out: &mut String, text: &str, first: &str, next: &str) {
    let mut line = first.to_owned();
    let mut empty = true;
    for word in text.split(' ').filter(|w| !w.is_empty()) {
        if !empty && line.chars().count() + 1 + word.chars().count() > WIDTH {
            let _ = writeln!(out, "{line}");
            line = next.to_owned();
            empty = true;
        }
        if !empty {
            line.push(' ');
        }
        line.push_str(word);
        empty = false;
    }
    let _ = writeln!(out, "{}", line.trim_end());
}

/// Replaces control characters and marks of writing direction, which a terminal would act on, by "?".
fn plain(text: &str) -> String {
    let shown = |c: char| if printable::steers(c) { '?' } else { c };
    text.chars().map(shown).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_broken_at_words_and_keep_their_indent() {
        let mut out = String::new();
        wrap(&mut out, &"word ".repeat(40), "- ", "  ");
        assert!(out.lines().count() > 2);
        assert!(out.lines().all(|l| l.chars().count() <= WIDTH));
        assert!(out.starts_with("- word") && out.lines().nth(1).unwrap().starts_with("  word"));
    }

    #[test]
    fn nothing_in_a_name_steers_the_terminal() {
        assert_eq!(plain("a\u{1b}[31mb\u{202e}c\n"), "a?[31mb?c?");
    }

    #[test]
    fn an_empty_report_says_so() {
        assert_eq!(table(&Report::new()), "Nothing was found to measure.\n");
    }
}
