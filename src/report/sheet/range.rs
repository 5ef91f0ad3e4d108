//! Sheets of usable ranges: bars of stops for every picture, with 95 % intervals.
use super::canvas::{Canvas, Colours, MARGIN, Rectangle, Row, SMALL, SMALL_LINE, Type};
use super::horizontal_axis::{HorizontalAxis, lower_bound_arrow};
use super::lettering::{cut, width as text_width};
use super::settings::SheetSettings;
use super::{about, claims, first_things_first, pages, shown, subject};
use crate::figure::axis::Axis;
use crate::figure::ranged;
use crate::words::{distinguishing_part, limit_words, range_caption, stops_interval, typeset};
use stopspan_core::results::BracketReport;
use stopspan_core::results::{Limit, PictureKind, PictureMeasurement, UsableStops};

/// Width of the column of names, units.
const NAMES: f64 = 450.0;
/// Maximum height of the bars of a row, units, and of one of three rows at most.
const TALLEST: f64 = 96.0;
const TALLEST_OF_FEW: f64 = 150.0;
const FEW: usize = 3;
/// Height of the line of numbers above the bars, units.
const NUMBERS: f64 = 44.0;
/// Height of the lines of names above the bars on a narrow sheet, units.
const HEAD: f64 = 80.0;

/// Draws the sheets; none if no wanted picture has a range.
pub(super) fn draw(
    blank: impl Fn() -> Canvas,
    bracket: &BracketReport,
    settings: &SheetSettings,
) -> Vec<Canvas> {
    let Some((found, axis)) = ranged(bracket, |p| shown(bracket, settings, p)) else {
        return Vec::new();
    };
    let files = found.iter().map(|one| one.picture.file.as_str());
    let canvas = blank();
    let rows = found.iter().map(|one| Bars {
        picture: one.picture,
        name: distinguishing_part(files.clone(), &one.picture.file),
        about: one.alike().unwrap_or_else(|| about(bracket, one.picture)),
        colour: colour(canvas.colours, one.picture.kind, one.index),
    });
    let rows = first_things_first(rows.collect(), bracket, |row: &Bars| row.picture);
    let sheet = |rows: &[Bars]| draw_rows(blank(), bracket, &axis, rows);
    pages(&rows).map(sheet).collect()
}

fn draw_rows(mut canvas: Canvas, bracket: &BracketReport, axis: &Axis, rows: &[Bars]) -> Canvas {
    let pictures = || rows.iter().map(|row| row.picture);
    let said: Vec<String> = pictures().map(sentence).collect();
    let (top, bottom) = canvas.frame(
        &claims::range(bracket),
        &subject(bracket),
        &range_caption(pictures(), bracket.wedge.is_some(), false),
        format!(
            "Dynamic range in stops below clipping. {}.",
            said.join("; ")
        ),
    );
    let bottom = bottom - 78.0;
    let (width, _) = canvas.extent();
    let narrow = canvas.narrow();
    let axis = HorizontalAxis {
        axis,
        left: MARGIN + if narrow { 0.0 } else { NAMES },
        right: width - MARGIN,
    };
    let head = match narrow {
        true => HEAD + NUMBERS,
        false => 0.0,
    };
    let few = rows.len() <= FEW;
    let tallest = if few { TALLEST_OF_FEW } else { TALLEST };
    let height = ((bottom - top) / rows.len() as f64).min(tallest + NUMBERS + head);
    axis.grid(&mut canvas, top, top + height * rows.len() as f64);
    for (index, row) in rows.iter().enumerate() {
        let place = Row {
            top: top + height * index as f64,
            height,
        };
        row.draw(&mut canvas, &axis, place);
    }
    canvas
}

/// Colour of a picture: of a frame by its index `place` among the frames, of any other by its kind.
fn colour(colours: &Colours, kind: PictureKind, place: usize) -> &'static str {
    match kind {
        PictureKind::CameraHdr => colours.hdr,
        PictureKind::Merge => colours.merge,
        PictureKind::Rendered => colours.rendered,
        PictureKind::Frame => colours.frames[place % colours.frames.len()],
    }
}

/// The bars of one picture.
struct Bars<'a> {
    picture: &'a PictureMeasurement,
    /// File name as shown.
    name: String,
    /// The line below it.
    about: String,
    colour: &'static str,
}

impl Bars<'_> {
    fn draw(&self, canvas: &mut Canvas, axis: &HorizontalAxis, row: Row) {
        let head = if canvas.narrow() { HEAD } else { 0.0 };
        self.names(canvas, row.top);
        let lines = self.numbers(canvas, axis, row.top + head + 32.0);
        let top = row.top + head + NUMBERS * lines as f64;
        let height = row.top + row.height - top - 16.0;
        let middle = top + height / 2.0;
        for (snr, opacity, thick) in [(1.0, 0.35, 1.0), (10.0, 0.95, 0.45)] {
            let at_snr = self.picture.at_snr(snr);
            let Some((usable, stops)) = at_snr.and_then(|u| Some((u, u.stops?))) else {
                continue;
            };
            let end = axis.position(stops);
            let thick = thick * height;
            let place = Rectangle {
                left: axis.left,
                top: middle - thick / 2.0,
                width: end - axis.left,
                height: thick,
            };
            canvas.bar(place, self.colour, opacity);
            axis.whisker(canvas, usable, middle);
            if usable.limited_by == Limit::Wedge {
                lower_bound_arrow(canvas, end, middle);
            }
        }
    }

    /// File name, and settings or kind: beside the bars, or above them on a narrow sheet.
    fn names(&self, canvas: &mut Canvas, top: f64) {
        let name = Type {
            bold: true,
            ..canvas.plain(34.0)
        };
        let soft = canvas.soft(SMALL);
        let room = match canvas.narrow() {
            true => canvas.extent().0 - 2.0 * MARGIN,
            false => NAMES - 24.0,
        };
        let base = top + 36.0;
        canvas.text((MARGIN, base), name, &cut(&self.name, room, name));
        let about = cut(&self.about, room, soft);
        canvas.text((MARGIN, base + SMALL_LINE), soft, &about);
    }

    /// Range at SNR 1 and SNR 10 in numbers, the first line on the baseline `base`; returns the number of lines.
    fn numbers(&self, canvas: &mut Canvas, axis: &HorizontalAxis, base: f64) -> usize {
        let figure = Type {
            bold: true,
            ..canvas.plain(SMALL)
        };
        let deep = canvas.soft(SMALL);
        let at_snr = |snr| self.picture.at_snr(snr);
        let first = at_snr(1.0).map_or_else(String::new, with_limit);
        let second = at_snr(10.0).map_or_else(String::new, |u| format!("SNR 10: {}", number(u)));
        canvas.text((axis.left + 6.0, base), figure, &first);
        if canvas.narrow() {
            canvas.text((axis.left + 6.0, base + SMALL_LINE), deep, &second);
            return 2;
        }
        let past = axis.left + 6.0 + text_width(&first, figure) + 30.0;
        // Numbers are not cut: without room for the interval only its whiskers show it.
        let fits = |text: &&str| text_width(text, deep) <= axis.right - past;
        let bare = second.split_once(" (").map_or("", |s| s.0);
        if let Some(text) = [second.as_str(), bare].into_iter().find(fits) {
            canvas.text((past, base), deep, text);
        }
        1
    }
}

/// A range with its limit: "9.93 (9.77\u{2013}10.13), limited by noise".
fn with_limit(usable: &UsableStops) -> String {
    let number = number(usable);
    match usable.limited_by {
        Limit::Wedge => format!("SNR 1: {number}, the wedge ends first"),
        limit => format!("SNR 1: {number}, limited by {}", limit_words(limit)),
    }
}

fn number(usable: &UsableStops) -> String {
    typeset(&stops_interval(usable))
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
