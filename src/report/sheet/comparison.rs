//! Sheet that compares the camera's own HDR picture, the merge and the best single frame: values with intervals and ties.
use super::canvas::{Anchor, Canvas, MARGIN, Type};
use super::lettering::{cut, width as text_width};
use super::subject;
use crate::words::{difference, interval, quantity_words};
use stopspan_core::results::BracketReport;
use stopspan_core::results::{Compared, Comparison, Quantity};

/// Quantities on the sheet, in this order; those not measured are omitted.
const SHOWN: [Quantity; 15] = [
    Quantity::LevelsNoise,
    Quantity::LevelsVisual,
    Quantity::UsableStops1,
    Quantity::UsableStops10,
    Quantity::VisibleStops,
    Quantity::Mtf50,
    Quantity::Overshoot,
    Quantity::Acutance,
    Quantity::NoiseDark,
    Quantity::NeutralDifference,
    Quantity::OffCurve,
    Quantity::Ghosts,
    Quantity::DoubleEdges,
    Quantity::Clipped,
    Quantity::Crushed,
];
/// Width of the column of names, units; on a narrow sheet names are above the values.
const NAMES: f64 = 620.0;
/// Maximum height of a row, units.
const TALLEST: f64 = 68.0;
/// Maximum height of a row on a narrow sheet, units.
const TALLEST_NARROW: f64 = 112.0;

/// Draws the sheet; `None` without a comparison.
pub(super) fn draw(mut canvas: Canvas, bracket: &BracketReport) -> Option<Canvas> {
    let comparison = bracket.comparison.as_ref()?;
    let rows = rows(comparison);
    if rows.is_empty() {
        return None;
    }
    let said: Vec<String> = rows.iter().map(|row| sentence(row)).collect();
    let (top, bottom) = canvas.frame(
        "The camera\u{2019}s HDR picture against the merge",
        &subject(bracket),
        "In brackets: 95 % interval. Bold: significant difference; tie: its interval includes 0.",
        format!(
            "The camera's own HDR picture {} against the merge and the best single frame. {}.",
            comparison.file,
            said.join("; ")
        ),
    );
    let height = ((bottom - top) / (rows.len() + 1) as f64).min(tallest(&canvas));
    heads(&mut canvas, top + 0.62 * height);
    for (index, row) in rows.iter().enumerate() {
        line(&mut canvas, row, top + height * (index + 1) as f64, height);
    }
    Some(canvas)
}

fn rows(comparison: &Comparison) -> Vec<&Compared> {
    let wanted = SHOWN.iter().filter_map(|q| comparison.quantity(*q));
    wanted.filter(|row| row.camera_hdr.is_some()).collect()
}

fn tallest(canvas: &Canvas) -> f64 {
    if canvas.narrow() {
        TALLEST_NARROW
    } else {
        TALLEST
    }
}

/// Right ends of the columns of values, units.
fn columns(canvas: &Canvas) -> [f64; 4] {
    let (width, _) = canvas.extent();
    let names = if canvas.narrow() { 0.0 } else { NAMES };
    let step = (width - 2.0 * MARGIN - names) / 4.0;
    [1.0, 2.0, 3.0, 4.0].map(|k| MARGIN + names + k * step)
}

fn heads(canvas: &mut Canvas, y: f64) {
    let look = Type {
        anchor: Anchor::End,
        ..canvas.soft(27.0)
    };
    let colours = canvas.colours;
    let named = [
        ("camera\u{2019}s HDR", colours.hdr),
        ("merge", colours.merge),
        (
            if canvas.narrow() {
                "best single"
            } else {
                "best single frame"
            },
            colours.soft,
        ),
        (
            if canvas.narrow() {
                "difference"
            } else {
                "camera HDR \u{2212} merge"
            },
            colours.soft,
        ),
    ];
    for ((name, colour), x) in named.into_iter().zip(columns(canvas)) {
        canvas.text((x, y), Type { colour, ..look }, name);
    }
}

fn line(canvas: &mut Canvas, row: &Compared, top: f64, height: f64) {
    let shrink = (height / tallest(canvas)).clamp(0.5, 1.0);
    let (width, _) = canvas.extent();
    let rule = format!("M{MARGIN},{top:.1}H{:.1}", width - MARGIN);
    canvas.path(&rule, canvas.colours.line, 2.0);
    let (name, unit) = quantity_words(row.quantity);
    let plain = canvas.plain(28.0 * shrink);
    let small = canvas.soft(24.0 * shrink);
    let columns = columns(canvas);
    // Baselines of name, unit, values and intervals, as shares of the row's height.
    let (bases, names) = if canvas.narrow() {
        let room = width - 2.0 * MARGIN;
        ([0.28, 0.28, 0.61, 0.89], room)
    } else {
        ([0.44, 0.86, 0.44, 0.86], NAMES)
    };
    let [first, below, figure, interval] = bases.map(|share| top + share * height);
    canvas.text((MARGIN, first), plain, &cut(name, names, plain));
    let past = if first == below {
        text_width(name, plain) + 16.0
    } else {
        0.0
    };
    let unit = cut(unit, names - past, small);
    canvas.text((MARGIN + past, below), small, &unit);
    let room = columns[1] - columns[0] - 12.0;
    for ((text, bold), x) in figures(row).into_iter().zip(columns) {
        let look = Type {
            anchor: Anchor::End,
            bold,
            ..plain
        };
        // The interval is below its value.
        let (value, ends) = match text.split_once(" (") {
            Some((value, ends)) => (value, format!("({ends}")),
            None => (text.as_str(), String::new()),
        };
        canvas.text((x, figure), look, &cut(value, room, look));
        let look = Type {
            anchor: Anchor::End,
            ..small
        };
        canvas.text((x, interval), look, &cut(&ends, room, look));
    }
}

/// The four values of a row as text, and whether each is a significant difference.
fn figures(row: &Compared) -> [(String, bool); 4] {
    let against = row.against_merge.as_ref().filter(|_| row.merge.is_some());
    let apart = against.is_some_and(|d| d.tie == Some(false));
    [
        (interval(row, row.camera_hdr.as_ref()), false),
        (interval(row, row.merge.as_ref()), false),
        (interval(row, row.single.as_ref()), false),
        (difference(row, against), apart),
    ]
}

fn sentence(row: &Compared) -> String {
    let (name, unit) = quantity_words(row.quantity);
    let [camera, merge, single, _] = figures(row).map(|f| f.0);
    format!("{name} ({unit}): camera {camera}, merge {merge}, best single frame {single}")
}
