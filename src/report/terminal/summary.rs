//! The short text: at most twelve lines a bracket, and one table over cameras; `apart` has pictures without a bracket.
mod apart;

use super::{interval, limit, plain, shortened_to, wrap};
use crate::cameras::single_of;
use crate::words::{self, decimal};
use std::fmt::Write;
use stopspan_core::finding::Severity;
use stopspan_core::results::{
    BracketReport, CameraComparison, CameraRow, LevelsAndRange, PictureKind, PictureMeasurement,
    RankedFigure, RankedPicture, Report, UnusedFile,
};

/// Most lines of one bracket, and of one camera's pictures without a bracket.
const LINES: usize = 12;
/// Most warnings of one bracket, and of one camera's pictures.
const WARNINGS: usize = 3;
/// Most files of a list that are named.
const NAMED: usize = 3;
/// Width of a row's name and file together, characters.
const NAME_AND_FILE: usize = 23;

/// Returns the answer of a run: cameras compared, then every bracket with its best single frame, the camera's HDR picture and the merge,
/// which frame to use alone, and the most serious warnings; at most twelve lines each, of at most 79 characters. Everything else is in
/// the report.
pub fn summary(report: &Report) -> String {
    let mut out = String::new();
    if let Some(compared) = &report.cameras {
        if !compared.rows.is_empty() {
            cameras(&mut out, compared);
        }
        if let Some(shots) = &compared.shots {
            let said = words::cameras::shots(shots).join(" ");
            wrap(
                &mut out,
                &plain(&format!("Default shots. {said}")),
                "",
                "  ",
            );
            out.push('\n');
        }
    }
    for bracket in &report.brackets {
        out.push_str(&of_bracket(bracket));
        out.push('\n');
    }
    apart::text(&mut out, report);
    unused(&mut out, report);
    if out.is_empty() {
        out.push_str("Nothing was found to measure.\n");
    }
    out.truncate(out.trim_end().len());
    out.push('\n');
    out
}

/// A table row for the best single frame, the camera's HDR picture and the merge, then what to do and what to mind.
fn of_bracket(bracket: &BracketReport) -> String {
    let mut out = String::new();
    let frames = words::count(bracket.frames.len(), "frame", "frames");
    let title = format!("{}: {frames}", bracket.name);
    wrap(&mut out, &plain(&title), "", "  ");
    let pictures = &bracket.pictures;
    let single = single_of(bracket);
    let rows = [
        ("single", single),
        ("HDR", pictures.camera.as_ref()),
        ("merge", pictures.merge.as_ref()),
    ];
    let rows: Vec<(&str, &PictureMeasurement)> = rows
        .into_iter()
        .filter_map(|(name, picture)| Some((name, picture?)))
        .collect();
    table(&mut out, &rows);
    let mut sentences = Vec::new();
    sentences.extend(single.and_then(|s| gain(s, pictures.merge.as_ref()?)));
    let scene = bracket.scene.as_ref();
    sentences.extend(scene.and_then(|s| words::scene::single(s, &bracket.frames)));
    for sentence in sentences {
        wrap(&mut out, &plain(&sentence), "", "  ");
    }
    let lacks = scene.filter(|s| s.reach.as_ref().is_some_and(|r| !r.is_enough()));
    let mut notes = words::all_findings(bracket);
    if let Some(text) = lacks.and_then(words::scene::reach) {
        // What makes figures wrong comes first.
        notes.insert(1.min(notes.len()), (Severity::Warning, text));
    }
    warnings(&mut out, &notes);
    out
}

/// A head and a row per picture: steps, with the count by 8 x 8 means where it is lower, and range with interval at SNR 1 and 10.
fn table(out: &mut String, rows: &[(&str, &PictureMeasurement)]) {
    let steps = rows.iter().find_map(|(_, p)| p.levels).map(|l| l.steps);
    let of = steps.map_or_else(|| "steps".to_owned(), |n| format!("of {n}"));
    let names = rows.iter().map(|(name, _)| name.len()).max().unwrap_or(0);
    let room = NAME_AND_FILE - names;
    let mut line = |name: &str, file: &str, [steps, snr1, snr10, limit]: [&str; 4]| {
        let text = format!("{name:names$} {file:room$} {steps:>7} {snr1:>18} {snr10:>18} {limit}");
        let _ = writeln!(out, "{}", text.trim_end());
    };
    line("", "", [&of, "stops, SNR 1", "stops, SNR 10", "limit"]);
    for (name, picture) in rows {
        let one = LevelsAndRange::of(picture);
        let range = |u: &Option<_>| u.as_ref().map_or_else(|| "-".to_owned(), interval);
        let file = match picture.kind {
            PictureKind::Merge => String::new(),
            _ => shortened_to(&picture.file, room),
        };
        let usable = one.snr1.as_ref().filter(|u| u.stops.is_some());
        let limit = usable.map_or_else(|| "-".to_owned(), |u| limit(u.limited_by));
        let range = [range(&one.snr1), range(&one.snr10)];
        line(name, &file, [&counts(&one), &range[0], &range[1], &limit]);
    }
}

/// "18", or "21 (17)" where means of 8 x 8 pixels resolve 17.
fn counts(one: &LevelsAndRange) -> String {
    match (one.levels, one.levels_block) {
        (Some(levels), Some(block)) if block < levels => format!("{levels} ({block})"),
        (Some(levels), _) => levels.to_string(),
        (None, _) => "-".to_owned(),
    }
}

/// "The merge adds 3 steps and 2.6 stops at SNR 10 to the best single frame."
fn gain(single: &PictureMeasurement, merge: &PictureMeasurement) -> Option<String> {
    let steps = || merge.levels?.noise.checked_sub(single.levels?.noise);
    let steps = steps()
        .filter(|n| *n > 0)
        .map(|n| words::count(n, "step", "steps"));
    let stops = |p: &PictureMeasurement| p.at_snr(10.0)?.stops;
    let more = || Some(stops(merge)? - stops(single)?);
    let more = more().filter(|m| *m >= 0.05);
    let more = more.map(|m| format!("{} stops at SNR 10", decimal(m, 1)));
    let measured = merge.levels.is_some() || stops(merge).is_some();
    let parts: Vec<String> = steps.into_iter().chain(more).collect();
    measured.then(|| match parts.is_empty() {
        true => "The merge adds nothing to the best single frame.".to_owned(),
        false => format!(
            "The merge adds {} to the best single frame.",
            parts.join(" and ")
        ),
    })
}

/// The first warnings that leave room for the line that counts the rest; at least one.
fn warnings(out: &mut String, notes: &[(Severity, String)]) {
    let serious = notes.iter().filter(|(s, _)| *s == Severity::Warning);
    let mut shown = 0;
    for (_, text) in serious.take(WARNINGS) {
        let mut one = String::new();
        wrap(&mut one, &plain(text), "! ", "  ");
        if shown > 0 && out.lines().count() + one.lines().count() > LINES - 1 {
            break;
        }
        out.push_str(&one);
        shown += 1;
    }
    let rest = notes.len() - shown;
    if rest > 0 {
        let rest = words::count(rest, "more note", "more notes");
        let _ = writeln!(out, "{rest} in report.html.");
    }
}

/// A row per camera and picture with steps and range at SNR 10; the ranking.
fn cameras(out: &mut String, compared: &CameraComparison) {
    let mut line = |camera: &str, picture: &str, [steps, stops]: [&str; 2]| {
        let _ = writeln!(out, "{camera:28} {picture:18} {steps:>8} {stops:>18}");
    };
    line("cameras", "", ["steps", "stops, SNR 10"]);
    for row in &compared.rows {
        let mut name = shortened_to(&row_name(compared, row), 28);
        for picture in RankedPicture::ALL {
            let one = row.figures(picture);
            if one.is_there() {
                let stops = one.snr10.as_ref().map_or_else(|| "-".to_owned(), interval);
                let words = words::cameras::picture_name(picture);
                line(&std::mem::take(&mut name), words, [&counts(one), &stops]);
            }
        }
    }
    for picture in [
        RankedPicture::Merge,
        RankedPicture::Single,
        RankedPicture::DefaultShot,
    ] {
        if let Some(text) = ranking(compared, picture) {
            wrap(out, &plain(&text), "", "  ");
            break;
        }
    }
    for text in words::cameras::compare_with_care(compared) {
        wrap(out, &plain(&text), "! ", "  ");
    }
    out.push('\n');
}

/// "By stops to SNR 10 of the merge: rank 1: A; rank 2, a tie: B, C.", or why there is no ranking; `None` if the picture is not compared.
fn ranking(compared: &CameraComparison, picture: RankedPicture) -> Option<String> {
    let figure = [RankedFigure::Stops10, RankedFigure::Levels]
        .into_iter()
        .find(|f| {
            compared
                .rows
                .iter()
                .any(|r| r.standing(picture, *f).is_some())
        })?;
    let what = match figure {
        RankedFigure::Levels => "steps",
        _ => "stops to SNR 10",
    };
    let of = words::cameras::picture_name(picture);
    let mut groups: Vec<(String, Vec<String>)> = Vec::new();
    for row in &compared.rows {
        let Some(standing) = row.standing(picture, figure) else {
            continue;
        };
        let (text, name) = (
            words::cameras::short_standing(standing),
            row_name(compared, row),
        );
        match groups.iter_mut().find(|(same, _)| *same == text) {
            Some((_, names)) => names.push(name),
            None => groups.push((text, vec![name])),
        }
    }
    let texts = groups
        .iter()
        .map(|(text, names)| format!("{text}: {}", names.join(", ")));
    let texts: Vec<String> = texts.collect();
    Some(format!("By {what} of the {of}: {}.", texts.join("; ")))
}

/// Name of a camera's row, of long names the part that differs.
fn row_name(compared: &CameraComparison, row: &CameraRow) -> String {
    let of = |row: &CameraRow| words::cameras::row_name(&compared.rows, &row.bracket);
    let all: Vec<String> = compared.rows.iter().map(of).collect();
    words::distinguishing_part(all.iter().map(String::as_str), &of(row))
}

/// Files that were not used, by kind: few are named, of many the number.
fn unused(out: &mut String, report: &Report) {
    let lists = [
        ("Not measured", &report.singles),
        ("Not used", &report.skipped),
    ];
    for (title, list) in lists {
        let pictures: Vec<&UnusedFile> = list.iter().filter(|one| one.may_be_a_picture()).collect();
        for one in pictures.iter().take(NAMED) {
            wrap(
                out,
                &plain(&format!("{title}: {}: {}", one.path, one.reason)),
                "",
                "  ",
            );
        }
        let rest = list.len() - pictures.len().min(NAMED);
        if rest > 0 && pictures.len() > NAMED {
            let _ = writeln!(
                out,
                "{title}: {} (see report.html).",
                words::count(rest, "more file", "more files")
            );
        }
    }
    for one in report.failed.iter().take(NAMED) {
        wrap(
            out,
            &plain(&format!(
                "Failed: {}: {}; {}",
                one.name, one.problem, one.advice
            )),
            "",
            "  ",
        );
    }
    if report.failed.len() > NAMED {
        let _ = writeln!(
            out,
            "Failed: {} more (see report.html).",
            report.failed.len() - NAMED
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stopspan_core::results::{Limit, UsableStops};

    fn picture(kind: PictureKind, file: &str) -> PictureMeasurement {
        let usable = |snr| UsableStops {
            snr,
            stops: Some(13.44),
            low95: Some(13.31),
            high95: Some(13.55),
            limited_by: Limit::Wedge,
            seen_stops: None,
            normalised: None,
        };
        PictureMeasurement {
            usable_stops: vec![usable(1.0), usable(10.0)],
            ..PictureMeasurement::unmeasured(kind, file.to_owned())
        }
    }

    /// The widest figures and a long name, with more warnings than there is room for.
    #[test]
    fn a_bracket_has_at_most_twelve_lines_of_79_characters() {
        let long = "a_very_long_name_of_a_camera_and_a_date_20260501_0001.jpg";
        let mut bracket = BracketReport {
            name: long.into(),
            ..BracketReport::default()
        };
        bracket.pictures = vec![
            picture(PictureKind::Frame, long),
            picture(PictureKind::CameraHdr, long),
            picture(PictureKind::Merge, "merge"),
        ]
        .into();
        bracket.findings = (0..5)
            .map(|k| stopspan_core::finding::Finding::FigureRefused {
                figure: format!("figure {k}"),
                reason: "the frames have too few even places to measure their noise on, ".repeat(2),
            })
            .collect();
        let text = of_bracket(&bracket);
        assert!(text.lines().count() <= LINES, "{text}");
        assert!(text.lines().all(|l| l.chars().count() <= 79), "{text}");
        assert!(text.contains("! ") && text.contains("more notes"), "{text}");
    }
}
