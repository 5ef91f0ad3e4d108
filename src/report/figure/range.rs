//! Bar chart of the usable range: stops from clipping down to SNR 1 (wide) and SNR 10 (narrow), with 95 % intervals.
use super::super::html::escape;
use super::super::words::{any_interval, distinguishing_part, stops_interval, typeset};
use super::axis::Axis;
use super::chart::{WIDTH, short};
use super::marks::of_picture;
use std::fmt::Write;
use stopspan_core::results::BracketReport;
use stopspan_core::results::{Limit, PictureMeasurement, UsableStops};

const ROW: f64 = 48.0;
const SIDE: f64 = 8.0;

/// Chart with a pair of bars per picture; `None` without a range.
pub(crate) fn range(bracket: &BracketReport, id: &str) -> Option<String> {
    let (shown, axis) = ranged(bracket, |_| true)?;
    let bottom = 6.0 + ROW * shown.len() as f64;
    let mut body = grid(&axis, bottom);
    for (row, (index, picture)) in shown.iter().enumerate() {
        let class = of_picture(picture.kind, *index).class;
        let name = distinguishing_part(
            bracket.pictures.iter().map(|p| p.file.as_str()),
            &picture.file,
        );
        let top = 6.0 + ROW * row as f64;
        body.push_str(&bar(&axis, picture, &name, class, top));
    }
    Some(format!(
        "<svg class=\"chart\" viewBox=\"0 0 {WIDTH} {:.0}\" role=\"img\" aria-labelledby=\"{id}-range-t {id}-range-d\">\n\
         <title id=\"{id}-range-t\">Dynamic range</title><desc id=\"{id}-range-d\">{}</desc>\n{body}</svg>\n",
        bottom + 46.0,
        escape(&describe(&shown))
    ))
}

/// Returns the wanted pictures that have a range, each with its index in the order of the report, and an axis that covers their
/// ranges. `None` without such a picture.
pub(crate) fn ranged(
    bracket: &BracketReport,
    wanted: impl Fn(&PictureMeasurement) -> bool,
) -> Option<(Vec<(usize, &PictureMeasurement)>, Axis)> {
    let has_range = |p: &PictureMeasurement| p.at_snr(1.0).is_some_and(|u| u.stops.is_some());
    let pictures = bracket.pictures.iter().enumerate();
    let shown: Vec<_> = pictures
        .filter(|(_, p)| wanted(p) && has_range(p))
        .collect();
    let ends = shown.iter().filter_map(|(_, p)| {
        let usable = p.at_snr(1.0)?;
        usable.high95.or(usable.stops)
    });
    let axis = Axis::linear("stops below clipping", ends.chain([0.0]))?;
    (!shown.is_empty()).then_some((shown, axis))
}

pub(super) fn place(axis: &Axis, stops: f64) -> f64 {
    SIDE + axis.share(stops).clamp(0.0, 1.0) * (WIDTH - 2.0 * SIDE)
}

/// Vertical lines at the ticks from the top to `bottom`, and below them the numbers and the label of the axis.
pub(super) fn grid(axis: &Axis, bottom: f64) -> String {
    let mut out = String::new();
    for (value, text) in axis.ticks() {
        let x = place(axis, value);
        let _ = writeln!(
            out,
            r#"<path class="grid" d="M{x:.1},0V{bottom:.1}"/><text x="{x:.1}" y="{:.1}" text-anchor="middle">{text}</text>"#,
            bottom + 16.0
        );
    }
    let _ = writeln!(
        out,
        r#"<text class="name" x="{:.1}" y="{:.1}" text-anchor="middle">{}</text>"#,
        WIDTH / 2.0,
        bottom + 36.0,
        axis.label
    );
    out
}

fn bar(axis: &Axis, picture: &PictureMeasurement, name: &str, class: &str, top: f64) -> String {
    let mut out = String::new();
    let text = picture.at_snr(1.0).map_or_else(String::new, stops_interval);
    let _ = writeln!(
        out,
        r#"<text class="strong" x="{SIDE}" y="{:.1}">{}</text><text x="{:.1}" y="{:.1}" text-anchor="end">{}</text>"#,
        top + 13.0,
        escape(&short(name)),
        WIDTH - SIDE,
        top + 13.0,
        typeset(&text)
    );
    for (snr, name, offset, height) in [(1.0, "wide", 19.0, 16.0), (10.0, "narrow", 23.0, 8.0)] {
        let Some((usable, stops)) = picture.at_snr(snr).and_then(|u| Some((u, u.stops?))) else {
            continue;
        };
        let end = place(axis, stops);
        let _ = writeln!(
            out,
            r#"<rect class="bar {name} {class}" x="{SIDE}" y="{:.1}" width="{:.1}" height="{height}"/>"#,
            top + offset,
            (end - SIDE).max(0.0)
        );
        if let Some(seen) = usable.seen_stops.filter(|_| snr == 1.0) {
            let x = place(axis, seen);
            let _ = writeln!(
                out,
                r#"<path class="rule" d="M{x:.1},{:.1}v{height}"/>"#,
                top + offset
            );
        }
        out.push_str(&whisker(axis, usable, top + offset + height / 2.0));
        if usable.limited_by == Limit::Wedge {
            let (x, y) = (end + 3.0, top + offset + height / 2.0);
            let _ = writeln!(
                out,
                r#"<path class="whisker" d="M{x:.1},{:.1}l5,4l-5,4"/>"#,
                y - 4.0
            );
        }
    }
    out
}

fn whisker(axis: &Axis, usable: &UsableStops, y: f64) -> String {
    let (Some(low), Some(high)) = (usable.low95, usable.high95) else {
        return String::new();
    };
    let (left, right) = (place(axis, low), place(axis, high));
    format!(
        "<path class=\"whisker\" d=\"M{left:.1},{:.1}v8M{left:.1},{y:.1}H{right:.1}M{right:.1},{:.1}v8\"/>\n",
        y - 4.0,
        y - 4.0
    )
}

fn describe(shown: &[(usize, &PictureMeasurement)]) -> String {
    let lines: Vec<String> = shown
        .iter()
        .map(|(_, p)| {
            let text = |snr| p.at_snr(snr).map_or_else(|| "-".to_owned(), stops_interval);
            format!(
                "{}: {} stops down to SNR 1, {} down to SNR 10",
                p.file,
                text(1.0),
                text(10.0)
            )
        })
        .collect();
    let brackets = if any_interval(shown.iter().map(|(_, p)| *p)) {
        " 95 % intervals in brackets."
    } else {
        ""
    };
    format!("{}.{brackets}", lines.join("; "))
}
