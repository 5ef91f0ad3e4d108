//! Usable range of every picture as bars of stops, with 95 % intervals.
use super::canvas::{Anchor, Canvas, Colours, MARGIN, Type};
use super::lettering::{cut, width as text_width};
use super::settings::SheetSettings;
use super::{kind, subject};
use crate::figure::axis::Axis;
use crate::figure::ranged;
use crate::words::{limit_words, marks, stops_interval, telling};
use stopspan_core::results::BracketReport;
use stopspan_core::results::{Limit, PictureKind, PictureMeasurement, UsableStops};

const NAMES: f64 = 400.0;
const TALLEST: f64 = 170.0;
/// Height of the line of names above a bar on a narrow sheet, units.
const LINE: f64 = 46.0;

/// `None` where no wanted picture has a range.
pub(super) fn draw(
    mut canvas: Canvas,
    bracket: &BracketReport,
    settings: &SheetSettings,
) -> Option<Canvas> {
    let (shown, axis) = ranged(bracket, |p| settings.wants(p))?;
    let said: Vec<String> = shown.iter().map(|(_, p)| sentence(p)).collect();
    let (top, bottom) = canvas.frame(
        "Usable range in stops",
        &subject(bracket),
        &marks(shown.iter().map(|s| s.1), bracket.wedge.is_some(), false),
        format!("Usable range in stops below clipping. {}.", said.join("; ")),
    );
    let bottom = bottom - 70.0;
    let (width, _) = canvas.extent();
    let names = if canvas.narrow() { 0.0 } else { NAMES };
    let span = (MARGIN + names, width - MARGIN);
    grid(&mut canvas, &axis, span, (top, bottom));
    let tallest = if canvas.narrow() {
        TALLEST + LINE
    } else {
        TALLEST
    };
    let height = ((bottom - top) / shown.len() as f64).min(tallest);
    for (row, (index, picture)) in shown.iter().enumerate() {
        let colour = colour(canvas.colours, picture.kind, *index);
        let rows = (top + height * row as f64, height);
        let name = telling(shown.iter().map(|(_, p)| p.file.as_str()), &picture.file);
        bars(&mut canvas, &axis, (span, rows), (picture, &name), colour);
    }
    Some(canvas)
}

/// The colour of a picture: a frame's by its `place` among the frames, from 0; the others' by what they are.
fn colour(colours: &Colours, kind: PictureKind, place: usize) -> &'static str {
    match kind {
        PictureKind::CameraHdr => colours.hdr,
        PictureKind::Merge => colours.merge,
        PictureKind::Rendered => colours.rendered,
        PictureKind::Frame => colours.frames[place % colours.frames.len()],
    }
}

/// Vertical lines at the ticks, their numbers and the axis' name.
pub(super) fn grid(canvas: &mut Canvas, axis: &Axis, span: (f64, f64), (top, bottom): (f64, f64)) {
    let number = Type {
        anchor: Anchor::Middle,
        ..canvas.soft(28.0)
    };
    for (value, text) in axis.ticks() {
        let x = place(axis, span, value);
        canvas.path(
            &format!("M{x:.1},{top:.1}V{bottom:.1}"),
            canvas.colours.line,
            2.0,
        );
        canvas.text((x, bottom + 34.0), number, &text);
    }
    canvas.text(((span.0 + span.1) / 2.0, bottom + 70.0), number, axis.label);
}

pub(super) fn place(axis: &Axis, (left, right): (f64, f64), value: f64) -> f64 {
    left + axis.share(value).clamp(0.0, 1.0) * (right - left)
}

fn bars(
    canvas: &mut Canvas,
    axis: &Axis,
    (span, (top, height)): ((f64, f64), (f64, f64)),
    (picture, shown): (&PictureMeasurement, &str),
    colour: &'static str,
) {
    let head = if canvas.narrow() { LINE } else { 0.0 };
    let shrink = ((height - head) / TALLEST).clamp(0.35, 1.0);
    let name = Type {
        bold: true,
        ..canvas.plain(34.0 * shrink)
    };
    let soft = canvas.soft(27.0 * shrink);
    let room = NAMES - 20.0;
    let file = cut(shown, room, name);
    let (base, past) = if canvas.narrow() {
        (top + LINE - 6.0, text_width(&file, name) + 20.0)
    } else {
        (top + 0.42 * height, 0.0)
    };
    let below = if past > 0.0 {
        base
    } else {
        top + 0.64 * height
    };
    canvas.text((MARGIN, base), name, &file);
    canvas.text(
        (MARGIN + past, below),
        soft,
        &cut(kind(picture), room, soft),
    );
    let (top, height) = (top + head, height - head);
    let middle = top + 0.62 * height;
    for (snr, opacity, thick) in [(1.0, 0.35, 0.40), (10.0, 0.95, 0.18)] {
        let Some((usable, stops)) = picture.at_snr(snr).and_then(|u| Some((u, u.stops?))) else {
            continue;
        };
        let end = place(axis, span, stops);
        let thick = thick * height;
        canvas.bar(
            (span.0, middle - thick / 2.0, end - span.0, thick),
            colour,
            opacity,
        );
        whisker(canvas, axis, span, usable, middle);
        if usable.limited_by == Limit::Wedge {
            let data = format!("M{:.1},{:.1}l12,10l-12,10", end + 4.0, middle - 10.0);
            canvas.path(&data, canvas.colours.ink, 3.5);
        }
    }
    let figure = Type {
        bold: true,
        ..canvas.plain(30.0 * shrink)
    };
    let deep = canvas.soft(27.0 * shrink);
    let first = picture.at_snr(1.0).map_or_else(String::new, spoken);
    let second = picture
        .at_snr(10.0)
        .map_or_else(String::new, |u| format!("SNR 10: {}", number(u)));
    let base = top + 0.30 * height;
    canvas.text((span.0 + 6.0, base), figure, &first);
    let past = span.0 + 6.0 + text_width(&first, figure) + 30.0;
    let room = span.1 - past;
    // A number is never cut in its middle: without room its interval is left to the whiskers.
    let fits = |text: &&str| text_width(text, deep) <= room;
    let bare = second.split_once(" (").map_or("", |s| s.0);
    if let Some(text) = [second.as_str(), bare].into_iter().find(fits) {
        canvas.text((past, base), deep, text);
    }
}

/// A 95 % interval on a bar.
pub(super) fn whisker(
    canvas: &mut Canvas,
    axis: &Axis,
    span: (f64, f64),
    usable: &UsableStops,
    y: f64,
) {
    if let (Some(low), Some(high)) = (usable.low95, usable.high95) {
        let (low, high) = (place(axis, span, low), place(axis, span, high));
        let (up, down) = (y - 11.0, y + 11.0);
        let data = format!(
            "M{low:.1},{up:.1}V{down:.1}M{low:.1},{y:.1}H{high:.1}M{high:.1},{up:.1}V{down:.1}"
        );
        canvas.haloed(&data);
    }
}

/// "9.93 (9.77\u{2013}10.13), limited by noise".
fn spoken(usable: &UsableStops) -> String {
    let number = number(usable);
    match usable.limited_by {
        Limit::Wedge => format!("{number}: the wedge ends first"),
        limit => format!("{number}, limited by {}", limit_words(limit)),
    }
}

fn number(usable: &UsableStops) -> String {
    stops_interval(usable)
        .replace('-', "\u{2013}")
        .replace(">=", "\u{2265} ")
}

fn sentence(picture: &PictureMeasurement) -> String {
    let text = |snr| {
        picture
            .at_snr(snr)
            .map_or_else(|| "none".to_owned(), stops_interval)
    };
    format!(
        "{}: {} down to SNR 1, {} down to SNR 10",
        picture.file,
        text(1.0),
        text(10.0)
    )
}
