//! Sheet of the response curves of a bracket.
use super::canvas::{Anchor, Canvas, MARGIN, SMALL, Type};
use super::claims;
use super::horizontal_axis::HorizontalAxis;
use crate::figure::axis::Axis;
use crate::figure::{Sample, by_support, response_levels, response_samples};
use crate::words::method_words;
use stopspan_core::results::BracketReport;

const DASHES: [&str; 3] = ["22 10", "", "6 10"];

/// Draws the sheet; `None` without a response.
pub(super) fn draw(mut canvas: Canvas, bracket: &BracketReport) -> Option<Canvas> {
    let response = bracket.response.as_ref()?;
    let x = response_levels(&response.curves)?;
    let curves = response.curves.iter();
    let lines: Vec<_> = curves.map(|c| response_samples(c, &x)).collect();
    let depths = lines.iter().flatten().map(|s| s.stops);
    let y = Axis::linear("exposure, stops from clipping", depths.chain([0.0]))?;
    let (top, bottom) = canvas.frame(
        &claims::response(&response.curves),
        &super::subject(bracket),
        &format!(
            "Method: {}. Band: 95 % interval, without the span of the bracket. Thin line: extrapolated.",
            method_words(response.method)
        ),
        format!(
            "Exposure in stops below clipping against the 8-bit level, {} curves, obtained by: {}.",
            lines.len(),
            method_words(response.method)
        ),
    );
    let (width, _) = canvas.extent();
    let plot = Plot {
        x,
        y,
        across: (MARGIN + 130.0, width - MARGIN - 160.0),
        down: (top + 10.0, bottom - 90.0),
    };
    plot.axes(&mut canvas);
    let looks: &[(usize, &str)] = match lines.len() {
        3 => &[(0, "R"), (1, "G"), (2, "B")],
        _ => &[(1, "level")],
    };
    for ((channel, _), line) in looks.iter().zip(&lines) {
        let colour = canvas.colours.channels[*channel];
        let edge = |sign: f64| move |s: &Sample| (s.code, s.stops + sign * 1.96 * s.uncertainty);
        let mut area = plot.path(line.iter().map(edge(1.0)));
        area.push_str(
            &plot
                .path(line.iter().rev().map(edge(-1.0)))
                .replacen('M', "L", 1),
        );
        canvas.area(&(area + "Z"), colour, 0.2);
    }
    for (((channel, name), line), curve) in looks.iter().zip(&lines).zip(&response.curves) {
        let (colour, dash) = (canvas.colours.channels[*channel], DASHES[*channel]);
        for (part, thick) in by_support(line, curve).into_iter().zip([1.5, 4.0, 1.5]) {
            canvas.dashed(&plot.path(part.into_iter()), colour, thick, dash);
        }
        let y = plot.down.0 + 40.0 + 52.0 * *channel as f64;
        let right = plot.across.1 + 20.0;
        canvas.dashed(
            &format!("M{right:.1},{:.1}h60", y - 10.0),
            colour,
            5.0,
            dash,
        );
        let label = canvas.plain(34.0);
        canvas.text((right + 72.0, y), label, name);
    }
    Some(canvas)
}

struct Plot {
    x: Axis,
    y: Axis,
    across: (f64, f64),
    down: (f64, f64),
}

impl Plot {
    fn place(&self, (x, y): (f64, f64)) -> (f64, f64) {
        let (left, right) = self.across;
        let (top, bottom) = self.down;
        let share = self.y.share(y).clamp(0.0, 1.0);
        (
            left + self.x.share(x) * (right - left),
            bottom - share * (bottom - top),
        )
    }

    fn path(&self, points: impl Iterator<Item = (f64, f64)>) -> String {
        let mut out = String::new();
        for point in points {
            let (x, y) = self.place(point);
            let letter = if out.is_empty() { 'M' } else { 'L' };
            out.push_str(&format!("{letter}{x:.1},{y:.1}"));
        }
        out
    }

    fn axes(&self, canvas: &mut Canvas) {
        let (left, right) = self.across;
        let number = Type {
            anchor: Anchor::End,
            ..canvas.soft(SMALL)
        };
        for (value, text) in self.y.ticks() {
            let y = self.place((0.0, value)).1;
            canvas.path(
                &format!("M{left:.1},{y:.1}H{right:.1}"),
                canvas.colours.line,
                2.0,
            );
            canvas.text((left - 14.0, y + 10.0), number, &text);
        }
        let levels = HorizontalAxis {
            axis: &self.x,
            left,
            right,
        };
        levels.grid(canvas, self.down.0, self.down.1);
        let label = canvas.soft(SMALL);
        let middle = (self.down.0 + self.down.1) / 2.0;
        canvas.upright_text((MARGIN + 22.0, middle), label, self.y.label);
    }
}
