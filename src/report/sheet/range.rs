//! Sheet of usable ranges: bars of stops for every picture, with 95 % intervals.
use super::canvas::{Canvas, Colours, MARGIN, Rectangle, Row, Type};
use super::horizontal_axis::{HorizontalAxis, lower_bound_arrow};
use super::lettering::{cut, width as text_width};
use super::settings::SheetSettings;
use super::{kind, subject};
use crate::figure::ranged;
use crate::words::{distinguishing_part, limit_words, range_caption, stops_interval, typeset};
use stopspan_core::results::BracketReport;
use stopspan_core::results::{Limit, PictureKind, PictureMeasurement, UsableStops};

/// Width of the column of names, units.
const NAMES: f64 = 400.0;
/// Maximum height of a row without the line of names, units.
const TALLEST: f64 = 170.0;
/// Height of the line of names above a bar on a narrow sheet, units.
const LINE: f64 = 46.0;

/// Draws the sheet; `None` if no wanted picture has a range.
pub(super) fn draw(
    mut canvas: Canvas,
    bracket: &BracketReport,
    settings: &SheetSettings,
) -> Option<Canvas> {
    let (shown, axis) = ranged(bracket, |p| settings.wants(p))?;
    let said: Vec<String> = shown.iter().map(|(_, p)| sentence(p)).collect();
    let (top, bottom) = canvas.frame(
        "Dynamic range in stops",
        &subject(bracket),
        &range_caption(shown.iter().map(|s| s.1), bracket.wedge.is_some(), false),
        format!(
            "Dynamic range in stops below clipping. {}.",
            said.join("; ")
        ),
    );
    let bottom = bottom - 70.0;
    let (width, _) = canvas.extent();
    let names = if canvas.narrow() { 0.0 } else { NAMES };
    let axis = HorizontalAxis {
        axis: &axis,
        left: MARGIN + names,
        right: width - MARGIN,
    };
    axis.grid(&mut canvas, top, bottom);
    let tallest = if canvas.narrow() {
        TALLEST + LINE
    } else {
        TALLEST
    };
    let height = ((bottom - top) / shown.len() as f64).min(tallest);
    for (row, (index, picture)) in shown.iter().enumerate() {
        let place = Row {
            top: top + height * row as f64,
            height,
        };
        let bars = Bars {
            picture,
            name: distinguishing_part(shown.iter().map(|(_, p)| p.file.as_str()), &picture.file),
            colour: colour(canvas.colours, picture.kind, *index),
        };
        bars.draw(&mut canvas, &axis, place);
    }
    Some(canvas)
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
    colour: &'static str,
}

impl Bars<'_> {
    fn draw(&self, canvas: &mut Canvas, axis: &HorizontalAxis, row: Row) {
        let head = if canvas.narrow() { LINE } else { 0.0 };
        let shrink = ((row.height - head) / TALLEST).clamp(0.35, 1.0);
        self.names(canvas, row, shrink);
        let (top, height) = (row.top + head, row.height - head);
        let middle = top + 0.62 * height;
        for (snr, opacity, thick) in [(1.0, 0.35, 0.40), (10.0, 0.95, 0.18)] {
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
        self.numbers(canvas, axis, top + 0.30 * height, shrink);
    }

    /// File name and kind: beside the bars, or in one line above them on a narrow sheet.
    fn names(&self, canvas: &mut Canvas, row: Row, shrink: f64) {
        let name = Type {
            bold: true,
            ..canvas.plain(34.0 * shrink)
        };
        let soft = canvas.soft(27.0 * shrink);
        let room = NAMES - 20.0;
        let file = cut(&self.name, room, name);
        let (base, past) = if canvas.narrow() {
            (row.top + LINE - 6.0, text_width(&file, name) + 20.0)
        } else {
            (row.top + 0.42 * row.height, 0.0)
        };
        let below = if past > 0.0 {
            base
        } else {
            row.top + 0.64 * row.height
        };
        canvas.text((MARGIN, base), name, &file);
        let kind = cut(kind(self.picture), room, soft);
        canvas.text((MARGIN + past, below), soft, &kind);
    }

    /// Range at SNR 1 and SNR 10 in numbers, on the baseline `base`.
    fn numbers(&self, canvas: &mut Canvas, axis: &HorizontalAxis, base: f64, shrink: f64) {
        let figure = Type {
            bold: true,
            ..canvas.plain(30.0 * shrink)
        };
        let deep = canvas.soft(27.0 * shrink);
        let at_snr = |snr| self.picture.at_snr(snr);
        let first = at_snr(1.0).map_or_else(String::new, with_limit);
        let second = at_snr(10.0).map_or_else(String::new, |u| format!("SNR 10: {}", number(u)));
        canvas.text((axis.left + 6.0, base), figure, &first);
        let past = axis.left + 6.0 + text_width(&first, figure) + 30.0;
        let room = axis.right - past;
        // Numbers are not cut: without room for the interval only its whiskers show it.
        let fits = |text: &&str| text_width(text, deep) <= room;
        let bare = second.split_once(" (").map_or("", |s| s.0);
        if let Some(text) = [second.as_str(), bare].into_iter().find(fits) {
            canvas.text((past, base), deep, text);
        }
    }
}

/// A range with its limit: "9.93 (9.77\u{2013}10.13), limited by noise".
fn with_limit(usable: &UsableStops) -> String {
    let number = number(usable);
    match usable.limited_by {
        Limit::Wedge => format!("{number}: the wedge ends first"),
        limit => format!("{number}, limited by {}", limit_words(limit)),
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
