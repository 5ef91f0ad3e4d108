//! The camera's own HDR picture, the merge and the best single frame side by side: figures with intervals, ties said.
use super::canvas::{Anchor, Canvas, MARGIN, Type, cut};
use super::subject;
use crate::measure::compare::{Compared, Comparison, Quantity};
use crate::report::BracketReport;
use crate::report::words::{difference, interval, quantity_words};

/// What stands on the sheet, in this order, where it could be measured.
const SHOWN: [Quantity; 14] = [
    Quantity::LevelsNoise,
    Quantity::LevelsVisual,
    Quantity::UsableStops1,
    Quantity::UsableStops10,
    Quantity::VisibleStops,
    Quantity::Mtf50,
    Quantity::Overshoot,
    Quantity::NoiseDark,
    Quantity::NoiseMiddle,
    Quantity::NeutralDifference,
    Quantity::OffCurve,
    Quantity::Ghosts,
    Quantity::Clipped,
    Quantity::Crushed,
];
/// Width of the names, units.
const NAMES: f64 = 470.0;
/// Height of the tallest row, units.
const TALLEST: f64 = 68.0;

/// `None` without a comparison.
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
        "In brackets: 95 % interval. A tie is a difference whose interval holds 0.",
        format!(
            "The camera's own HDR picture {} against the merge and the best single frame. {}.",
            comparison.file,
            said.join("; ")
        ),
    );
    let height = ((bottom - top) / (rows.len() + 1) as f64).min(TALLEST);
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

/// Right ends of the columns of figures.
fn columns(canvas: &Canvas) -> [f64; 4] {
    let (width, _) = canvas.extent();
    let step = (width - 2.0 * MARGIN - NAMES) / 4.0;
    [1.0, 2.0, 3.0, 4.0].map(|k| MARGIN + NAMES + k * step)
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
        ("best single frame", colours.soft),
        ("camera less merge", colours.soft),
    ];
    for ((name, colour), x) in named.into_iter().zip(columns(canvas)) {
        canvas.text((x, y), Type { colour, ..look }, name);
    }
}

fn line(canvas: &mut Canvas, row: &Compared, top: f64, height: f64) {
    let shrink = (height / TALLEST).clamp(0.5, 1.0);
    let (width, _) = canvas.extent();
    let rule = format!("M{MARGIN},{top:.1}H{:.1}", width - MARGIN);
    canvas.path(&rule, canvas.colours.line, 2.0);
    let (name, unit) = quantity_words(row.quantity);
    let plain = canvas.plain(28.0 * shrink);
    let small = canvas.soft(21.0 * shrink);
    canvas.text(
        (MARGIN, top + 0.46 * height),
        plain,
        &cut(name, NAMES, plain),
    );
    canvas.text(
        (MARGIN, top + 0.86 * height),
        small,
        &cut(unit, NAMES, small),
    );
    let columns = columns(canvas);
    let room = columns[1] - columns[0] - 16.0;
    for ((text, bold), x) in figures(row).into_iter().zip(columns) {
        let look = Type {
            anchor: Anchor::End,
            bold,
            ..canvas.plain(28.0 * shrink)
        };
        // The interval below its figure.
        let (value, ends) = match text.split_once(" (") {
            Some((value, ends)) => (value, format!("({ends}")),
            None => (text.as_str(), String::new()),
        };
        canvas.text((x, top + 0.46 * height), look, &cut(value, room, look));
        let look = Type {
            anchor: Anchor::End,
            ..small
        };
        canvas.text((x, top + 0.86 * height), look, &cut(&ends, room, look));
    }
}

/// The four figures, and whether they are told apart.
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
