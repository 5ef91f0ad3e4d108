//! Sheets that compare the camera's own HDR picture, the merge and the best single frame: values with intervals and ties.
use super::canvas::{Anchor, Canvas, MARGIN, Row, SMALL, SMALL_LINE, Type};
use super::lettering::lines;
use super::{claims, subject};
use crate::words::{NONE, difference, interval, quantity_words};
use stopspan_core::results::BracketReport;
use stopspan_core::results::{Compared, Comparison, Quantity};

/// Quantities of each sheet, in this order: steps and range; detail, noise and colour; faults. Those not measured are omitted.
const SHOWN: [[Quantity; 5]; 3] = [
    [
        Quantity::LevelsNoise,
        Quantity::LevelsVisual,
        Quantity::UsableStops1,
        Quantity::UsableStops10,
        Quantity::VisibleStops,
    ],
    [
        Quantity::Mtf50,
        Quantity::Overshoot,
        Quantity::Acutance,
        Quantity::NoiseDark,
        Quantity::NeutralDifference,
    ],
    [
        Quantity::OffCurve,
        Quantity::Ghosts,
        Quantity::DoubleEdges,
        Quantity::Clipped,
        Quantity::Crushed,
    ],
];
/// Width of the column of names, units; on a narrow sheet names are above the values.
const NAMES: f64 = 540.0;
/// Height of the heads of the columns, units.
const HEADS: f64 = 92.0;
/// Maximum height of a row, units.
const TALLEST: f64 = 150.0;
/// Height of name and unit above the values on a narrow sheet, units.
const ABOVE: f64 = 84.0;

/// Draws the sheets; none without a comparison.
pub(super) fn draw(blank: impl Fn() -> Canvas, bracket: &BracketReport) -> Vec<Canvas> {
    let Some(comparison) = &bracket.comparison else {
        return Vec::new();
    };
    let topics = SHOWN.iter().map(|wanted| rows(comparison, wanted));
    topics
        .filter(|rows| !rows.is_empty())
        .map(|rows| draw_rows(blank(), bracket, &comparison.file, &rows))
        .collect()
}

fn draw_rows(
    mut canvas: Canvas,
    bracket: &BracketReport,
    file: &str,
    rows: &[&Compared],
) -> Canvas {
    let said: Vec<String> = rows.iter().map(|row| sentence(row)).collect();
    let (top, bottom) = canvas.frame(
        &claims::difference(rows),
        &subject(bracket),
        "In brackets: 95 % interval. Bold: significant difference. Tie: its interval includes 0.",
        format!(
            "The camera's own HDR picture {file} against the merge and the best single frame. {}.",
            said.join("; ")
        ),
    );
    let columns = Columns::of(&canvas, rows);
    heads(&mut canvas, &columns, top);
    let tallest = TALLEST + if canvas.narrow() { ABOVE } else { 0.0 };
    let height = ((bottom - top - HEADS) / rows.len() as f64).min(tallest);
    for (index, row) in rows.iter().enumerate() {
        let place = Row {
            top: top + HEADS + height * index as f64,
            height,
        };
        line(&mut canvas, row, &columns, place);
    }
    canvas
}

fn rows<'c>(comparison: &'c Comparison, wanted: &[Quantity]) -> Vec<&'c Compared> {
    let found = wanted.iter().filter_map(|q| comparison.quantity(*q));
    found.filter(|row| row.camera_hdr.is_some()).collect()
}

/// The columns of values of a sheet: those in which some row has a value.
struct Columns {
    /// Right ends, units; `None` for a column without a value.
    ends: [Option<f64>; 4],
    /// Width of the text in a column, units.
    room: f64,
}

impl Columns {
    fn of(canvas: &Canvas, rows: &[&Compared]) -> Self {
        let figures: Vec<_> = rows.iter().map(|row| figures(row)).collect();
        let has = |k: usize| figures.iter().any(|row| row[k].0 != NONE);
        let used = (0..4).filter(|k| has(*k)).count().max(1);
        let names = if canvas.narrow() { 0.0 } else { NAMES };
        let step = (canvas.extent().0 - 2.0 * MARGIN - names) / used as f64;
        let mut end = MARGIN + names;
        let ends = [0, 1, 2, 3].map(|k| {
            has(k).then(|| {
                end += step;
                end
            })
        });
        Columns {
            ends,
            room: step - 12.0,
        }
    }
}

fn heads(canvas: &mut Canvas, columns: &Columns, top: f64) {
    let look = Type {
        anchor: Anchor::End,
        ..canvas.soft(SMALL)
    };
    let colours = canvas.colours;
    let named = [
        ("camera\u{2019}s HDR", colours.hdr),
        ("merge", colours.merge),
        ("best single frame", colours.soft),
        ("HDR less merge", colours.soft),
    ];
    for ((name, colour), end) in named.into_iter().zip(columns.ends) {
        let Some(x) = end else { continue };
        for (index, text) in lines(name, columns.room, look).iter().enumerate() {
            let base = top + 34.0 + SMALL_LINE * index as f64;
            canvas.text((x, base), Type { colour, ..look }, text);
        }
    }
}

fn line(canvas: &mut Canvas, row: &Compared, columns: &Columns, Row { top, .. }: Row) {
    let (width, _) = canvas.extent();
    let rule = format!("M{MARGIN},{top:.1}H{:.1}", width - MARGIN);
    canvas.path(&rule, canvas.colours.line, 2.0);
    let (name, unit) = quantity_words(row.quantity);
    let plain = canvas.plain(34.0);
    let small = canvas.soft(SMALL);
    let (above, names) = match canvas.narrow() {
        true => (ABOVE, width - 2.0 * MARGIN),
        false => (0.0, NAMES - 20.0),
    };
    canvas.text((MARGIN, top + 42.0), plain, name);
    for (index, text) in lines(unit, names, small).iter().enumerate() {
        let base = top + 42.0 + SMALL_LINE * (index + 1) as f64;
        canvas.text((MARGIN, base), small, text);
    }
    for ((text, bold), end) in figures(row).into_iter().zip(columns.ends) {
        let Some(x) = end else { continue };
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
        let base = top + above + 42.0;
        canvas.text((x, base), look, value);
        let look = Type {
            anchor: Anchor::End,
            ..small
        };
        for (index, text) in lines(&ends, columns.room, look).iter().enumerate() {
            canvas.text((x, base + SMALL_LINE * (index + 1) as f64), look, text);
        }
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
