//! Sheet on the comparison of cameras: range of best single frame, own HDR picture and merge, with the steps each tells apart.
use super::canvas::{Canvas, MARGIN, Rectangle, Row, Type};
use super::horizontal_axis::{HorizontalAxis, lower_bound_arrow};
use super::lettering::{cut, lines};
use crate::figure::axis::Axis;
use crate::words::{stops_interval, typeset};
use stopspan_core::results::Limit;
use stopspan_core::results::Report;
use stopspan_core::results::{CameraRow, LevelsAndRange};

const NAMES: f64 = 480.0;
const TALLEST: f64 = 260.0;
/// Height of the name above the bars on a narrow sheet, units.
const HEAD: f64 = 92.0;

/// Draws the sheet; `None` without a comparison or without any range.
pub(super) fn draw(mut canvas: Canvas, report: &Report) -> Option<Canvas> {
    let rows = &report.cameras.as_ref()?.rows;
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
        "Cameras beside each other",
        &format!("{} cameras, best single frame, own HDR picture and merge", rows.len()),
        if rows.iter().any(|row| row.has_interval()) {
            "Stops from clipping down to SNR 1 of one pixel (ISO 15739), and steps of the wedge told apart by noise. Whiskers and brackets: 95 % interval. An arrow: the wedge ends first, at least this much. Cameras whose merge intervals overlap share a rank."
        } else {
            "Stops from clipping down to SNR 1 of one pixel (ISO 15739), and steps of the wedge told apart by noise. An arrow: the wedge ends first, at least this much."
        },
        format!("Range and steps of each camera. {}.", said.join("; ")),
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
        camera(&mut canvas, &axis, place, row);
    }
    Some(canvas)
}

fn figures(row: &CameraRow) -> [(&'static str, &LevelsAndRange); 3] {
    [
        ("single frame", &row.single),
        ("camera's HDR", &row.camera_hdr),
        ("merge", &row.merge),
    ]
}

/// Draws name and rank: beside the bars, a long name in two lines; on a narrow sheet above them.
fn name(canvas: &mut Canvas, place: Row, room: f64, row: &CameraRow) {
    let Row { top, height } = place;
    let shrink = (height / TALLEST).clamp(0.35, 1.0);
    let look = Type {
        bold: true,
        ..canvas.plain(36.0 * shrink)
    };
    let soft = canvas.soft(28.0 * shrink);
    let (first, second) = if canvas.narrow() {
        (top + 44.0, top + 80.0)
    } else {
        (top + 0.24 * height, top + 0.42 * height)
    };
    let mut words = if canvas.narrow() {
        vec![cut(&row.camera, room, look)]
    } else {
        lines(&row.camera, room, look)
    };
    if words.len() > 2 {
        // Text beyond two lines is cut within the second.
        let rest = words.split_off(1).join(" ");
        words.push(cut(&rest, room, look));
    }
    let line = 42.0 * shrink;
    for (index, text) in words.iter().enumerate() {
        canvas.text((MARGIN, first + line * index as f64), look, text);
    }
    let rank = match row.rank_stops {
        Some(rank) => format!("rank {rank} by the merge\u{2019}s stops"),
        None => "no rank: no interval".to_owned(),
    };
    let below = line * words.len().saturating_sub(1) as f64;
    canvas.text((MARGIN, second + below), soft, &cut(&rank, room, soft));
}

fn camera(canvas: &mut Canvas, axis: &HorizontalAxis, place: Row, row: &CameraRow) {
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
    name(canvas, beside, room, row);
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
        (Some(levels), Some(steps)) => format!(", {levels} of {steps} steps"),
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
