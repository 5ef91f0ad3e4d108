//! Sheet on the comparison of cameras: range of best single frame, own HDR picture and merge, with the steps each resolves, its standing, and reasons to compare with care.
use super::canvas::{Canvas, MARGIN, Rectangle, Row, Type};
use super::horizontal_axis::{HorizontalAxis, lower_bound_arrow};
use super::lettering::{cut, lines};
use crate::figure::axis::Axis;
use crate::words::cameras::{compare_with_care, short_standings};
use crate::words::{stops_interval, typeset};
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
    let ends = rows
        .iter()
        .flat_map(|r| figures(r).map(|(_, f)| f))
        .filter_map(|f| {
            let usable = f.snr1?;
            usable.high95.or(usable.stops)
        });
    let axis = Axis::linear("stops from clipping down to SNR 1", ends.chain([0.0]))?;
    let said: Vec<String> = rows.iter().map(sentence).collect();
    let (top, bottom) = canvas.frame(
        "Cameras compared",
        &format!("{} cameras, best single frame, own HDR picture and merge", rows.len()),
        if rows.iter().any(|row| row.has_interval()) {
            "Stops from clipping down to SNR 1 of one pixel (ISO 15739), and steps of the wedge resolved by noise. Whiskers and brackets: 95 % interval. An arrow: the wedge ends first, at least this much. Only cameras whose intervals are separated are ranked; a lower bound is an interval without an upper end."
        } else {
            "Stops from clipping down to SNR 1 of one pixel (ISO 15739), and steps of the wedge resolved by noise. An arrow: the wedge ends first, at least this much."
        },
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
        let texts = (row, standings(row));
        camera(&mut canvas, &axis, place, &texts);
    }
    Some(canvas)
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

/// The standings of a row by its merge, or else its camera's HDR picture, or else its single frame.
fn standings(row: &CameraRow) -> Vec<String> {
    let pictures = [
        (RankedPicture::Merge, "merges"),
        (RankedPicture::CameraHdr, "cameras\u{2019} HDR"),
        (RankedPicture::Single, "single frames"),
    ];
    let said = pictures.into_iter().find_map(|(picture, name)| {
        let mut found = short_standings(row, picture);
        let first = found.first_mut()?;
        *first = format!("{name} by {first}");
        Some(found)
    });
    said.unwrap_or_else(|| vec!["not ranked: no other row has the same figure".to_owned()])
}

fn figures(row: &CameraRow) -> [(&'static str, &LevelsAndRange); 3] {
    [
        ("single frame", &row.single),
        ("camera's HDR", &row.camera_hdr),
        ("merge", &row.merge),
    ]
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

fn camera(
    canvas: &mut Canvas,
    axis: &HorizontalAxis,
    place: Row,
    texts: &(&CameraRow, Vec<String>),
) {
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
    let colours = [
        canvas.colours.frames[0],
        canvas.colours.hdr,
        canvas.colours.merge,
    ];
    let thick = 0.26 * height;
    for (index, ((words, figure), colour)) in figures(row).into_iter().zip(colours).enumerate() {
        let y = top + height * (0.10 + 0.28 * index as f64);
        let Some((usable, stops)) = figure.snr1.and_then(|u| Some((u, u.stops?))) else {
            continue;
        };
        let end = axis.position(stops);
        let bar = Rectangle {
            left: axis.left,
            top: y,
            width: end - axis.left,
            height: thick * 0.35,
        };
        canvas.bar(bar, colour, 0.95);
        let middle = y + thick * 0.175;
        axis.whisker(canvas, &usable, middle);
        if usable.limited_by == Limit::Wedge {
            lower_bound_arrow(canvas, end, middle);
        }
        let text = format!("{words}: {}{}", interval(&usable), steps(figure, row.steps));
        let label = canvas.plain(27.0 * shrink);
        canvas.text((axis.left + 6.0, y + thick * 0.85), label, &text);
    }
}

fn interval(usable: &stopspan_core::results::UsableStops) -> String {
    format!("{} stops", typeset(&stops_interval(usable)))
}

fn steps(figure: &LevelsAndRange, steps: Option<usize>) -> String {
    match (figure.levels, steps) {
        (Some(levels), Some(steps)) => match figure.levels_block {
            Some(block) => format!(", {levels} of {steps} steps ({block} by 8 x 8 means)"),
            None => format!(", {levels} of {steps} steps"),
        },
        _ => String::new(),
    }
}

fn sentence(row: &CameraRow) -> String {
    let parts: Vec<String> = figures(row)
        .into_iter()
        .filter_map(|(words, f)| {
            Some(format!(
                "{words} {}{}",
                interval(f.snr1.as_ref()?),
                steps(f, row.steps)
            ))
        })
        .collect();
    format!("{}: {}", row.camera, parts.join(", "))
}
