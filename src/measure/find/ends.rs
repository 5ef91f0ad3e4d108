//! Whether a wedge really ends where the last of its steps was seen: what lies where the next one would be.
use super::lattice::{CellStatistics, mean_of};
use super::order::{Ordered, is_flat};
use super::shrink::Small;
use stopspan_core::finding::{EndDoubt, WedgeEnd};

/// How far from the next step's expected light, in steps, what lies there may be and still pass for it.
const LIKE: f64 = 0.6;
/// Difference from what lies beside it, stops, below which a cell is card.
const CARD: f64 = 0.15;
/// Cells looked at beyond each end: something may lie on the next.
const BEYOND: i32 = 2;

/// A cell by column and row.
type Cell = (i32, i32);

/// What makes either end doubtful, the lightest step's first.
pub(super) fn doubts(small: &Small, wedge: &Ordered) -> Vec<WedgeEnd> {
    let look = Look { small, wedge };
    let count = (wedge.rows * wedge.columns) as i32;
    let mut found: Vec<WedgeEnd> = Vec::new();
    let lightest = if wedge.dark_first { count - 1 } else { 0 };
    for (end, inward) in [(0, 1), (count - 1, -1)] {
        let lighter = end == lightest;
        if let Some(doubt) = look.beyond(end, inward, lighter) {
            found.push(doubt);
        }
    }
    found.sort_by_key(|doubt| !doubt.lighter);
    found
}

struct Look<'a> {
    small: &'a Small,
    wedge: &'a Ordered,
}

impl Look<'_> {
    /// The cell that holds number `k` in reading order; before the first and after the last in the row before or after.
    fn cell(&self, k: i32) -> Cell {
        let columns = self.wedge.columns as i32;
        if self.wedge.rows == 1 {
            return (k, 0);
        }
        let (row, column) = (k.div_euclid(columns), k.rem_euclid(columns));
        let backwards = self.wedge.boustrophedon && row.rem_euclid(2) == 1;
        (
            if backwards {
                columns - 1 - column
            } else {
                column
            },
            row,
        )
    }

    fn at(&self, cell: Cell) -> CellStatistics {
        CellStatistics::at(self.small, &self.wedge.map, cell, false)
    }

    /// The doubt about the end at number `end`, if there is one.
    fn beyond(&self, end: i32, inward: i32, lighter: bool) -> Option<WedgeEnd> {
        let last = self.at(self.cell(end));
        let inner = self.at(self.cell(end + 3 * inward));
        let step = (last.log - inner.log) / 3.0;
        let doubt = |because| Some(WedgeEnd { lighter, because });
        if self.cut(end, inward) {
            return doubt(EndDoubt::FrameEdge);
        }
        for k in 1..=BEYOND {
            let next = self.at(self.cell(end - k * inward));
            let expected = last.log + f64::from(k) * step;
            let near = (next.log - expected).abs() <= LIKE * step.abs();
            if !next.spread.is_finite() || !near || !is_flat(&next, &last, step.abs()) {
                continue;
            }
            if next.stands_out > CARD + next.spread {
                return doubt(EndDoubt::LikeAStep);
            }
            if k == 1 {
                return doubt(EndDoubt::LikeTheCard);
            }
        }
        None
    }

    /// True if the picture ends so close to the wedge that the next patch would be cut.
    fn cut(&self, end: i32, inward: i32) -> bool {
        let (from, to) = (self.cell(end), self.cell(end - inward));
        let (x, y) = (f64::from(to.0), f64::from(to.1));
        let near = |forward: bool| if forward { (0.1, 0.3) } else { (0.7, 0.9) };
        let middle = (0.3, 0.7);
        let (across, down) = if from.1 == to.1 {
            (near(to.0 > from.0), middle)
        } else {
            (middle, near(to.1 > from.1))
        };
        let part = |low: f64, span: (f64, f64)| (low + span.0, low + span.1);
        mean_of(self.small, &self.wedge.map, part(x, across), part(y, down)).is_none()
    }
}
