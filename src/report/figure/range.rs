//! Bar chart of the usable range: stops from clipping down to SNR 1 (wide) and SNR 10 (narrow), with 95 % intervals.
use super::super::cameras::single_of;
use super::super::html::escape;
use super::super::words::{any_interval, count, distinguishing_part, stops_interval, typeset};
use super::axis::Axis;
use super::chart::{WIDTH, short};
use super::marks::of_picture;
use std::fmt::Write;
use stopspan_core::results::BracketReport;
use stopspan_core::results::{Limit, PictureKind, PictureMeasurement, UsableStops};

const ROW: f64 = 48.0;
const SIDE: f64 = 8.0;

/// Chart with a pair of bars per picture; `None` without a range.
pub(crate) fn range(bracket: &BracketReport, id: &str) -> Option<String> {
    let (shown, axis) = ranged(bracket, |_| true)?;
    let bottom = 6.0 + ROW * shown.len() as f64;
    let mut body = grid(&axis, bottom);
    for (row, one) in shown.iter().enumerate() {
        let class = of_picture(one.picture.kind, one.index).class;
        let files = bracket.pictures.iter().map(|p| p.file.as_str());
        let mut name = short(&distinguishing_part(files, &one.picture.file));
        if let Some(alike) = one.alike() {
            name = format!("{name}, {alike}");
        }
        let top = 6.0 + ROW * row as f64;
        body.push_str(&bar(&axis, one.picture, &name, class, top));
    }
    Some(format!(
        "<svg class=\"chart\" viewBox=\"0 0 {WIDTH} {:.0}\" role=\"img\" aria-labelledby=\"{id}-range-t {id}-range-d\">\n\
         <title id=\"{id}-range-t\">Dynamic range</title><desc id=\"{id}-range-d\">{}</desc>\n{body}</svg>\n",
        bottom + 46.0,
        escape(&describe(&shown))
    ))
}

/// A picture on a chart of ranges.
pub(crate) struct Ranged<'a> {
    /// Index in the order of the report.
    pub index: usize,
    /// The picture.
    pub picture: &'a PictureMeasurement,
    /// Further frames with the very same figures, for which it stands.
    others: usize,
}

impl Ranged<'_> {
    /// "6 other frames alike"; `None` for a picture that stands for itself.
    pub fn alike(&self) -> Option<String> {
        let number = count(self.others, "other frame", "other frames");
        (self.others > 0).then(|| format!("{number} alike"))
    }

    /// True for a frame whose figures are printed as those of `other`.
    fn looks_like(&self, other: &PictureMeasurement) -> bool {
        let printed = |p: &PictureMeasurement| {
            [1.0, 10.0].map(|snr| p.at_snr(snr).map(|u| (stops_interval(u), u.limited_by)))
        };
        let frames = [self.picture, other].map(|p| p.kind == PictureKind::Frame);
        frames == [true; 2] && printed(self.picture) == printed(other)
    }
}

/// Returns the wanted pictures that have a range, and an axis that covers their ranges. Of frames with the same figures one is returned,
/// the best single frame if it is among them. `None` without such a picture.
pub(crate) fn ranged(
    bracket: &BracketReport,
    wanted: impl Fn(&PictureMeasurement) -> bool,
) -> Option<(Vec<Ranged<'_>>, Axis)> {
    let has_range = |p: &PictureMeasurement| p.at_snr(1.0).is_some_and(|u| u.stops.is_some());
    let best = single_of(bracket).map(|p| p.file.as_str());
    let mut shown: Vec<Ranged> = Vec::new();
    for (index, picture) in bracket.pictures.iter().enumerate() {
        if !(wanted(picture) && has_range(picture)) {
            continue;
        }
        let mut others = 0;
        if let Some(same) = shown.iter_mut().find(|r| r.looks_like(picture)) {
            others = same.others + 1;
            if best != Some(picture.file.as_str()) {
                same.others = others;
                continue;
            }
        }
        shown.retain(|r| !r.looks_like(picture));
        shown.push(Ranged {
            index,
            picture,
            others,
        });
    }
    let ends = shown.iter().filter_map(|one| {
        let usable = one.picture.at_snr(1.0)?;
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
        escape(name),
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

fn describe(shown: &[Ranged]) -> String {
    let lines: Vec<String> = shown
        .iter()
        .map(|one| {
            let p = one.picture;
            let text = |snr| p.at_snr(snr).map_or_else(|| "-".to_owned(), stops_interval);
            format!(
                "{}: {} stops down to SNR 1, {} down to SNR 10",
                p.file,
                text(1.0),
                text(10.0)
            )
        })
        .collect();
    let brackets = if any_interval(shown.iter().map(|one| one.picture)) {
        " 95 % intervals in brackets."
    } else {
        ""
    };
    format!("{}.{brackets}", lines.join("; "))
}
