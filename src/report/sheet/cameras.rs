//! Sheet on the comparison of cameras: range of best single frame, own HDR picture and merge, with the steps each resolves, its standing, and reasons to compare with care.
use super::canvas::{Canvas, MARGIN, Rectangle, Row, Type};
use super::horizontal_axis::{HorizontalAxis, lower_bound_arrow};
use super::lettering::{cut, lines};
use crate::figure::axis::Axis;
use crate::words::cameras::{compare_with_care, picture_name, short_standings};
use crate::words::{count, stops_interval, typeset};
use stopspan_core::results::Limit;
use stopspan_core::results::Report;
use stopspan_core::results::{CameraRow, LevelsAndRange, RankedPicture};

const NAMES: f64 = 480.0;
const TALLEST: f64 = 260.0;
/// Height of the name above the bars on a narrow sheet, units.
const HEAD: f64 = 92.0;

/// Draws the sheet; `None` without a comparison or without any range.
pub(super) fn draw(mut canvas: Canvas, report: &Report) -> Option<Canvas> {
    let comparison = report.cameras.as_ref()?;
    let (rows, care) = (&comparison.rows, compare_with_care(comparison));
    let by = Scale::of(rows);
    let ends = rows.iter().flat_map(bars).filter_map(|b| by.end(b.figure));
    let axis = Axis::linear(by.label(), ends.chain([0.0]))?;
    if rows.iter().all(|r| bars(r).is_empty()) {
        return None;
    }
    let said: Vec<String> = rows.iter().map(sentence).collect();
    let (top, bottom) = canvas.frame(
        "Cameras compared",
        &format!(
            "{}, each with the pictures it has",
            count(rows.len(), "camera", "cameras")
        ),
        by.notes(rows.iter().any(|row| row.has_interval())),
        format!(
            "Range and steps of each camera. {}. {}",
            said.join("; "),
            care.join(" ")
        ),
    );
    let bottom = warnings(&mut canvas, bottom, &care) - 70.0;
    let (width, _) = canvas.extent();
    let names = if canvas.narrow() { 0.0 } else { NAMES };
    let axis = HorizontalAxis {
        axis: &axis,
        left: MARGIN + names,
        right: width - MARGIN,
    };
    axis.grid(&mut canvas, top, bottom);
    let height = ((bottom - top) / rows.len() as f64).min(if canvas.narrow() {
        TALLEST + HEAD
    } else {
        TALLEST
    });
    for (index, row) in rows.iter().enumerate() {
        let place = Row {
            top: top + height * index as f64,
            height,
        };
        let line = CameraLine {
            place,
            texts: (row, standings(row)),
        };
        camera(&mut canvas, (&axis, by), &line);
    }
    Some(canvas)
}

/// What the bars are long by.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Scale {
    Stops,
    /// Where no picture has a range.
    Steps,
}

impl Scale {
    fn of(rows: &[CameraRow]) -> Self {
        let ranged = |b: &Bar| b.figure.snr1.is_some_and(|u| u.stops.is_some());
        match rows.iter().any(|r| bars(r).iter().any(ranged)) {
            true => Scale::Stops,
            false => Scale::Steps,
        }
    }

    fn label(self) -> &'static str {
        match self {
            Scale::Stops => "stops from clipping down to SNR 1",
            Scale::Steps => "steps of the wedge resolved by noise",
        }
    }

    /// Length of a bar.
    fn length(self, figure: &LevelsAndRange) -> Option<f64> {
        match self {
            Scale::Stops => figure.snr1?.stops,
            Scale::Steps => figure.levels.map(|n| n as f64),
        }
    }

    /// Farthest mark of a bar.
    fn end(self, figure: &LevelsAndRange) -> Option<f64> {
        let upper = figure.snr1.and_then(|u| u.high95);
        match self {
            Scale::Stops => upper.or(self.length(figure)),
            Scale::Steps => self.length(figure),
        }
    }

    fn notes(self, intervals: bool) -> &'static str {
        match (self, intervals) {
            (Scale::Stops, true) => {
                "Stops from clipping down to SNR 1 of one pixel (ISO 15739), and steps of the wedge resolved by noise. Whiskers and brackets: 95 % interval. An arrow: the wedge ends first, at least this much. Only cameras whose intervals are separated are ranked; a lower bound is an interval without an upper end."
            }
            (Scale::Stops, false) => {
                "Stops from clipping down to SNR 1 of one pixel (ISO 15739), and steps of the wedge resolved by noise. An arrow: the wedge ends first, at least this much."
            }
            (Scale::Steps, _) => {
                "Steps of the wedge resolved by noise. No picture has a range in stops, because its light is not known. Only cameras whose intervals are separated are ranked."
            }
        }
    }
}

/// One bar of a camera.
struct Bar<'a> {
    picture: RankedPicture,
    words: String,
    figure: &'a LevelsAndRange,
}

/// The pictures that a camera has. A default shot that is the best single frame too has one bar.
fn bars(row: &CameraRow) -> Vec<Bar<'_>> {
    let same = row.single.is_there() && row.single.file == row.default_shot.file;
    let shown = RankedPicture::ALL.into_iter().filter(|picture| {
        row.figures(*picture).is_there() && !(same && *picture == RankedPicture::DefaultShot)
    });
    let bar = |picture| Bar {
        picture,
        words: match picture {
            RankedPicture::Single if same => "default shot, best single frame".to_owned(),
            other => picture_name(other).to_owned(),
        },
        figure: row.figures(picture),
    };
    shown.map(bar).collect()
}

/// Writes the reasons to compare with care above `bottom`; returns the new bottom of the free space, units.
fn warnings(canvas: &mut Canvas, bottom: f64, care: &[String]) -> f64 {
    if care.is_empty() {
        return bottom;
    }
    let look = canvas.plain(27.0);
    let room = canvas.extent().0 - 2.0 * MARGIN;
    let text = format!("Compare with care. {}", care.join(" "));
    let broken = lines(&text, room, look);
    let top = bottom - 36.0 * broken.len() as f64;
    for (index, line) in broken.iter().enumerate() {
        canvas.text((MARGIN, top + 36.0 * index as f64), look, line);
    }
    top - 56.0
}

/// The standings of a row by its merge, or else another picture of it.
fn standings(row: &CameraRow) -> Vec<String> {
    let pictures = [
        (RankedPicture::Merge, "merges"),
        (RankedPicture::CameraHdr, "cameras\u{2019} HDR"),
        (RankedPicture::Single, "single frames"),
        (RankedPicture::DefaultShot, "default shots"),
    ];
    let said = pictures.into_iter().find_map(|(picture, name)| {
        let mut found = short_standings(row, picture);
        let first = found.first_mut()?;
        *first = format!("{name} by {first}");
        Some(found)
    });
    said.unwrap_or_else(|| vec!["not ranked: no other row has the same figure".to_owned()])
}

/// Draws name and standing: beside the bars, a long name in two lines; on a narrow sheet above them.
fn name(canvas: &mut Canvas, place: Row, room: f64, (row, standing): &(&CameraRow, Vec<String>)) {
    let Row { top, height } = place;
    let shrink = (height / TALLEST).clamp(0.35, 1.0);
    let look = Type {
        bold: true,
        ..canvas.plain(36.0 * shrink)
    };
    let soft = canvas.soft(27.0 * shrink);
    let (first, second) = if canvas.narrow() {
        (top + 40.0, top + 70.0)
    } else {
        (top + 0.20 * height, top + 0.36 * height)
    };
    let most = if canvas.narrow() { 1 } else { 2 };
    let words = some_lines(&row.camera, room, (look, most));
    let line = 42.0 * shrink;
    for (index, text) in words.iter().enumerate() {
        canvas.text((MARGIN, first + line * index as f64), look, text);
    }
    let below = second + line * words.len().saturating_sub(1) as f64;
    let each = standing.iter().flat_map(|text| lines(text, room, soft));
    let left = (top + height - below) / (30.0 * shrink);
    for (index, text) in each.take(left.max(1.0) as usize).enumerate() {
        canvas.text((MARGIN, below + 30.0 * shrink * index as f64), soft, &text);
    }
}

/// Breaks a text into at most `most` lines; what is longer is cut within the last.
fn some_lines(text: &str, room: f64, (look, most): (Type, usize)) -> Vec<String> {
    let mut words = lines(text, room, look);
    if words.len() > most {
        let rest = words.split_off(most - 1).join(" ");
        words.push(cut(&rest, room, look));
    }
    words
}

/// Where a camera's bars and texts stand on the sheet, with its standings.
struct CameraLine<'r> {
    place: Row,
    texts: (&'r CameraRow, Vec<String>),
}

fn camera(canvas: &mut Canvas, (axis, by): (&HorizontalAxis, Scale), line: &CameraLine) {
    let CameraLine { place, texts } = line;
    let row = texts.0;
    let (head, room) = if canvas.narrow() {
        (HEAD, axis.right - axis.left)
    } else {
        (0.0, NAMES - 24.0)
    };
    let (top, height) = (place.top + head, place.height - head);
    let beside = Row {
        top: place.top,
        height,
    };
    name(canvas, beside, room, texts);
    let shrink = (height / TALLEST).clamp(0.35, 1.0);
    let bars = bars(row);
    let pitch = 0.84 * height / bars.len().max(3) as f64;
    for (index, bar) in bars.iter().enumerate() {
        let y = top + 0.10 * height + pitch * index as f64;
        let middle = y + 0.16 * pitch;
        let colour = match bar.picture {
            RankedPicture::DefaultShot => canvas.colours.frames[2],
            RankedPicture::Single => canvas.colours.frames[0],
            RankedPicture::CameraHdr => canvas.colours.hdr,
            RankedPicture::Merge => canvas.colours.merge,
            RankedPicture::Raw => canvas.colours.frames[1],
        };
        if let Some(length) = by.length(bar.figure) {
            let end = axis.position(length);
            let shape = Rectangle {
                left: axis.left,
                top: y,
                width: end - axis.left,
                height: 0.33 * pitch,
            };
            canvas.bar(shape, colour, 0.95);
            if let (Scale::Stops, Some(usable)) = (by, bar.figure.snr1) {
                axis.whisker(canvas, &usable, middle);
                if usable.limited_by == Limit::Wedge {
                    lower_bound_arrow(canvas, end, middle);
                }
            }
        }
        let text = format!("{}: {}", bar.words, figures(bar.figure, row.steps));
        let label = canvas.plain(27.0 * shrink);
        canvas.text(
            (axis.left + 6.0, y + 0.33 * pitch + 25.0 * shrink),
            label,
            &text,
        );
    }
}

/// Range and steps of a picture as text.
fn figures(figure: &LevelsAndRange, steps: Option<usize>) -> String {
    let range = figure.snr1.filter(|u| u.stops.is_some());
    let range = range.map(|u| format!("{} stops", typeset(&stops_interval(&u))));
    let count = figure.levels.zip(steps).map(|(levels, steps)| {
        let block = figure.levels_block;
        let block = block.map_or_else(String::new, |b| format!(" ({b} by 8 x 8 means)"));
        format!("{levels} of {steps} steps{block}")
    });
    let parts: Vec<String> = range.into_iter().chain(count).collect();
    parts.join(", ")
}

fn sentence(row: &CameraRow) -> String {
    let parts: Vec<String> = bars(row)
        .iter()
        .map(|b| format!("{} {}", b.words, figures(b.figure, row.steps)))
        .collect();
    format!("{}: {}", row.camera, parts.join(", "))
}
