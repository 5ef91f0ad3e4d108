//! Horizontal axis on a sheet: positions of values, grid, whiskers of intervals.
use super::canvas::{Anchor, Canvas, SMALL, Type};
use crate::figure::axis::Axis;
use stopspan_core::results::UsableStops;

/// An axis between two horizontal positions, units.
pub(super) struct HorizontalAxis<'a> {
    pub axis: &'a Axis,
    pub left: f64,
    pub right: f64,
}

impl HorizontalAxis<'_> {
    /// Horizontal position of a value, units. A value beyond an end of the axis is put on that end.
    pub fn position(&self, value: f64) -> f64 {
        self.left + self.axis.share(value).clamp(0.0, 1.0) * (self.right - self.left)
    }

    /// Vertical lines at the ticks from `top` to `bottom`, and below them the numbers and the label of the axis.
    pub fn grid(&self, canvas: &mut Canvas, top: f64, bottom: f64) {
        let number = Type {
            anchor: Anchor::Middle,
            ..canvas.soft(SMALL)
        };
        for (value, text) in self.axis.ticks() {
            let x = self.position(value);
            canvas.path(
                &format!("M{x:.1},{top:.1}V{bottom:.1}"),
                canvas.colours.line,
                2.0,
            );
            canvas.text((x, bottom + 36.0), number, &text);
        }
        let middle = (self.left + self.right) / 2.0;
        canvas.text((middle, bottom + 74.0), number, self.axis.label);
    }

    /// Whiskers from the lower to the upper end of the 95 % interval of a range, at height `y`; nothing without an interval.
    pub fn whisker(&self, canvas: &mut Canvas, usable: &UsableStops, y: f64) {
        if let (Some(low), Some(high)) = (usable.low95, usable.high95) {
            let (low, high) = (self.position(low), self.position(high));
            let (up, down) = (y - 11.0, y + 11.0);
            let data = format!(
                "M{low:.1},{up:.1}V{down:.1}M{low:.1},{y:.1}H{high:.1}M{high:.1},{up:.1}V{down:.1}"
            );
            canvas.haloed(&data);
        }
    }
}

/// An arrow to the right of a bar that ends at `x`: the bar is a lower bound, because the wedge ends first.
pub(super) fn lower_bound_arrow(canvas: &mut Canvas, x: f64, y: f64) {
    let data = format!("M{:.1},{:.1}l12,10l-12,10", x + 4.0, y - 10.0);
    canvas.path(&data, canvas.colours.ink, 3.5);
}
