//! The wedge of every picture under each other, the steps that run together marked, the count beside.
use super::canvas::{Anchor, Canvas, MARGIN, Type};
use super::lettering::{cut, width as text_width};
use super::settings::SheetSettings;
use super::{kind, subject};
use crate::Strip;
use crate::html::strips::{Run, runs};
use crate::words::{count, reason_name, telling};
use stopspan_core::results::BracketReport;
use stopspan_core::results::PictureMeasurement;

/// Width of the column of names and of the column of counts, units.
const NAMES: f64 = 400.0;
const COUNTS: f64 = 260.0;
/// Height of the line of name and count above a strip on a narrow sheet, units.
const LINE: f64 = 74.0;
/// Rows that a sheet of usual shape holds legibly; more are made smaller, not left out.
const TALLEST: f64 = 190.0;

/// `None` where no wanted picture has both levels and a strip.
pub(super) fn draw(
    mut canvas: Canvas,
    bracket: &BracketReport,
    strips: &[Option<Strip>],
    settings: &SheetSettings,
) -> Option<Canvas> {
    let wanted = bracket.pictures.iter().zip(strips);
    let rows: Vec<(&PictureMeasurement, &Strip)> = wanted
        .filter(|(p, _)| p.levels.is_some() && settings.wants(p))
        .filter_map(|(p, s)| Some((p, s.as_ref()?)))
        .collect();
    let steps = rows.first()?.0.levels?.steps;
    let (top, bottom) = canvas.frame(
        &format!("Wedge steps told apart, of {steps}"),
        &subject(bracket),
        "Neighbours are told apart when they differ by at least the deviation of one pixel, in linear light. A bracket below a strip marks steps that run together, and why.",
        describe(&rows),
    );
    let tallest = if canvas.narrow() {
        TALLEST + LINE
    } else {
        TALLEST
    };
    let height = ((bottom - top) / rows.len() as f64).min(tallest);
    for (index, (picture, strip)) in rows.iter().enumerate() {
        let name = telling(rows.iter().map(|r| r.0.file.as_str()), &picture.file);
        row(
            &mut canvas,
            (top + height * index as f64, height),
            (picture, &name),
            strip,
        );
    }
    Some(canvas)
}

fn row(
    canvas: &mut Canvas,
    (top, height): (f64, f64),
    (picture, shown): (&PictureMeasurement, &str),
    strip: &Strip,
) {
    let Some(levels) = picture.levels else {
        return;
    };
    let (width, _) = canvas.extent();
    let right = width - MARGIN;
    let (head, span) = if canvas.narrow() {
        (LINE.min(0.4 * height), (MARGIN, right))
    } else {
        (0.0, (MARGIN + NAMES, right - COUNTS))
    };
    let shrink = ((height - head) / TALLEST).clamp(0.35, 1.0);
    names(canvas, (top, height), (picture, shown), strip);
    let big = Type {
        bold: true,
        anchor: Anchor::End,
        ..canvas.plain(if canvas.narrow() { 60.0 } else { 80.0 * shrink })
    };
    let base = top
        + if canvas.narrow() {
            head - 16.0
        } else {
            0.48 * height
        };
    let note = canvas.soft(28.0 * shrink.max(0.6));
    canvas.text((right - 120.0, base), big, &levels.noise.to_string());
    canvas.text((right - 105.0, base), note, &format!("of {}", levels.steps));
    let below = height - head;
    let columns = canvas.pixels(span.1 - span.0);
    let rows = canvas.pixels(0.56 * below);
    let place = (span.0, top + head + 0.06 * below);
    canvas.enlarged(place, (rows, columns), strip.rgb.clone());
    for run in runs(&picture.joined) {
        let y = top + head + 0.66 * below;
        mark(canvas, span, (y, shrink), &run, levels.steps);
    }
}

/// File, kind and what the strip shows: beside it, or in one line above it on a narrow sheet.
fn names(
    canvas: &mut Canvas,
    (top, height): (f64, f64),
    (picture, shown): (&PictureMeasurement, &str),
    strip: &Strip,
) {
    let words = strip.note.replace("logarithm of radiance", "log radiance");
    let size = if canvas.narrow() {
        1.0
    } else {
        (height / TALLEST).clamp(0.35, 1.0)
    };
    let name = Type {
        bold: true,
        ..canvas.plain(36.0 * size)
    };
    let note = canvas.soft(28.0 * size);
    if canvas.narrow() {
        let base = top + LINE.min(0.4 * height) - 16.0;
        let file = cut(shown, 470.0, name);
        canvas.text((MARGIN, base), name, &file);
        let past = text_width(&file, name) + 20.0;
        let room = canvas.extent().0 - 2.0 * MARGIN - past - 230.0;
        let said = match words.as_str() {
            "" => kind(picture).to_owned(),
            words => words.to_owned(),
        };
        canvas.text((MARGIN + past, base), note, &cut(&said, room, note));
        return;
    }
    let room = NAMES - 20.0;
    let lines = [
        (0.30, name, shown),
        (0.50, note, kind(picture)),
        (0.68, note, words.as_str()),
    ];
    for (share, look, text) in lines.into_iter().filter(|l| !l.2.is_empty()) {
        canvas.text((MARGIN, top + share * height), look, &cut(text, room, look));
    }
}

/// A bracket under the steps of a run, with its reason.
fn mark(
    canvas: &mut Canvas,
    (left, right): (f64, f64),
    (y, shrink): (f64, f64),
    run: &Run,
    steps: usize,
) {
    let place = |step: usize| left + (step as f64 - 0.5) / steps as f64 * (right - left);
    let (from, to) = (place(run.first), place(run.last));
    let data = format!("M{from:.1},{y:.1}v{0:.1}H{to:.1}v-{0:.1}", 12.0 * shrink);
    canvas.path(&data, canvas.colours.ink, 3.0);
    let label = Type {
        anchor: Anchor::Middle,
        ..canvas.plain(27.0 * shrink)
    };
    let half = text_width(reason_name(run.reason), label) / 2.0;
    let middle = ((from + to) / 2.0).clamp(left + half, (right - half).max(left + half));
    canvas.text((middle, y + 40.0 * shrink), label, reason_name(run.reason));
}

fn describe(rows: &[(&PictureMeasurement, &Strip)]) -> String {
    let said: Vec<String> = rows
        .iter()
        .filter_map(|(p, _)| {
            let levels = p.levels?;
            let joined = runs(&p.joined);
            let list = joined
                .iter()
                .map(|r| format!("{} to {} by {}", r.first, r.last, reason_name(r.reason)));
            let list: Vec<String> = list.collect();
            let tail = if list.is_empty() {
                String::new()
            } else {
                format!(" (running together: {})", list.join(", "))
            };
            Some(format!(
                "{} {} of {}{tail}",
                p.file, levels.noise, levels.steps
            ))
        })
        .collect();
    format!(
        "Wedge strips of {}, lightest step on the left. Steps told apart by noise: {}.",
        count(rows.len(), "picture", "pictures"),
        said.join("; ")
    )
}
