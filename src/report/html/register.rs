//! Part of a bracket's section on registration and motion: outlines over the reference frame, displacements, a detail without and with
//! registration, map of motion.
use super::super::figure::{self, EmbeddedRegistered, PageFigures};
use super::super::words::{decimal, percent};
use super::bracket::view;
use super::escape;
use super::table::{Table, none};
use std::fmt::Write;
use stopspan_core::results::BracketReport;

/// Writes the part; nothing if no frame was displaced and nothing moved.
pub(super) fn register(out: &mut String, bracket: &BracketReport, pictures: &PageFigures) {
    let moved = bracket.map.as_ref().map_or(0.0, |m| m.moved);
    let Some(registered) = &pictures.registered else {
        return;
    };
    out.push_str("<h3>Alignment and movement</h3>\n");
    shifts(out, bracket, registered);
    out.push_str("<div class=\"views\">\n");
    if registered.outlines.len() > 1 {
        outlines(out, bracket, registered);
    }
    if let Some(marked) = &registered.moved {
        let reference = bracket.frames.iter().position(|f| f.reference);
        let left_out = reference.and_then(|index| registered.left_out.get(index));
        let elsewhere = left_out.is_some_and(|share| *share > 0.0);
        let text = format!(
            "Tinted: {} of the pixels, where something moved and frames were left out, so that the map shows the reference frame's moment{}.",
            percent(moved),
            if elsewhere {
                ", or that of another frame where the reference is clipped"
            } else {
                ""
            }
        );
        view(
            out,
            "What moved",
            marked,
            "The reference frame in grey, tinted where something moved",
            &text,
        );
    }
    out.push_str("</div>\n");
    blink(out, registered);
}

fn shifts(out: &mut String, bracket: &BracketReport, registered: &EmbeddedRegistered) {
    let mut table = Table::new(
        "stack plain",
        "Displacement of the frames against the reference at its centre, removed before merging; and the share of the picture where a frame was left out because something had moved",
        &[
            "frame",
            "right, px",
            "down, px",
            "turned, degrees",
            "remaining, px r.m.s.",
            "left out",
        ],
    );
    for (index, frame) in bracket.frames.iter().enumerate() {
        let shift = frame.shift.filter(|_| !frame.reference);
        let number = |of: &dyn Fn(&stopspan_core::results::Shift) -> Option<f64>, digits| {
            let value = shift.as_ref().and_then(of);
            value.map_or_else(none, |v| decimal(v, digits))
        };
        let left_out = registered.left_out.get(index).filter(|_| !frame.reference);
        table.row(
            &frame.file,
            if frame.reference { "reference" } else { "" },
            &[
                number(&|s| Some(s.columns), 2),
                number(&|s| Some(s.rows), 2),
                number(&|s| Some(s.degrees), 3),
                number(&|s| s.residual_px, 2),
                left_out.map_or_else(none, |s| percent(*s)),
            ],
        );
    }
    table.finish(out);
}

/// Writes the reference frame with the outlines of all frames.
fn outlines(out: &mut String, bracket: &BracketReport, registered: &EmbeddedRegistered) {
    let Some(reference) = &registered.reference else {
        return;
    };
    let (uri, (rows, columns)) = (reference.uri(), registered.size);
    let corners = || registered.outlines.iter().flat_map(|o| o.corners);
    let least = |of: fn(f64, f64) -> f64, start: f64, axis: usize| {
        corners().map(|p| [p.x, p.y][axis]).fold(start, of)
    };
    let (left, top) = (least(f64::min, 0.0, 0), least(f64::min, 0.0, 1));
    let (right, bottom) = (
        least(f64::max, columns as f64, 0),
        least(f64::max, rows as f64, 1),
    );
    let width = columns as f64 / 300.0;
    let (x, y) = (left - width, top - width);
    let (w, h) = (right - left + 2.0 * width, bottom - top + 2.0 * width);
    let _ = write!(
        out,
        "<figure><h3>Outlines of the frames</h3><svg class=\"view\" viewBox=\"{x:.1} {y:.1} {w:.1} {h:.1}\" role=\"img\" aria-label=\"Outlines of the frames over the reference frame\"><image href=\"{uri}\" width=\"{columns}\" height=\"{rows}\" preserveAspectRatio=\"none\"/>"
    );
    for outline in &registered.outlines {
        let points = outline.corners.map(|p| format!("{:.1},{:.1}", p.x, p.y));
        let points = points.join(" ");
        let [r, g, b] = figure::source_colour(outline.frame, bracket.frames.len());
        let wide = 1.8 * width;
        let _ = write!(
            out,
            "<polygon points=\"{points}\" fill=\"none\" stroke=\"#fff\" stroke-width=\"{wide:.1}\"/><polygon points=\"{points}\" fill=\"none\" stroke=\"rgb({r},{g},{b})\" stroke-width=\"{width:.1}\"/>"
        );
    }
    let uncovered = bracket.map.as_ref().map_or(0.0, |m| m.uncovered);
    let _ = write!(
        out,
        "</svg><figcaption>Beyond the outlines of the others the map rests on the reference frame alone: {} of the pixels.</figcaption><ul class=\"swatches\">",
        percent(uncovered)
    );
    for outline in &registered.outlines {
        let [r, g, b] = figure::source_colour(outline.frame, bracket.frames.len());
        let file = bracket.frames.get(outline.frame).map_or("", |f| &f.file);
        let _ = write!(
            out,
            "<li><svg class=\"swatch\" viewBox=\"0 0 14 14\" aria-hidden=\"true\"><rect width=\"14\" height=\"14\" fill=\"rgb({r},{g},{b})\"/></svg>{}</li>",
            escape(file)
        );
    }
    out.push_str("</ul></figure>\n");
}

/// Writes a detail of the merge without and with registration. The two alternate; they are side by side on paper and for readers who
/// asked for reduced motion.
fn blink(out: &mut String, registered: &EmbeddedRegistered) {
    let Some([before, after]) = &registered.detail else {
        return;
    };
    let (before, after) = (before.uri(), after.uri());
    let _ = writeln!(
        out,
        "<figure class=\"turns\"><h3>Before and after</h3>\n<div class=\"blink\"><div><img src=\"{before}\" alt=\"A detail merged with the frames as taken\"><span>before</span></div><div><img src=\"{after}\" alt=\"The same detail merged in register\"><span>after</span></div></div>\n<figcaption>A detail of the merge at its full size, on a logarithmic scale: without alignment, and aligned with what moved excluded. The two take turns where the reader's settings allow movement.</figcaption></figure>"
    );
}
