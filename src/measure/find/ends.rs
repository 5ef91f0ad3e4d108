//! Whether a wedge ends at the last step found: compares the cells beyond it with the expected next step.
use super::lattice::{CellStatistics, mean_of};
use super::order::{Ordered, is_flat};
use super::shrink::ReducedPicture;
use stopspan_core::finding::{EndDoubt, WedgeEnd};

/// Largest difference from the expected light of the next step at which a cell passes for it, in steps.
const LIKE: f64 = 0.6;
/// Difference from its surroundings, stops, up to which a cell counts as card.
const CARD: f64 = 0.15;
/// Number of cells examined beyond each end; the first may be covered.
const BEYOND: i32 = 2;

/// A cell by column and row.
type Cell = (i32, i32);

/// Ends beyond which the wedge may continue, with the reason; the lightest step's end first.
pub(super) fn doubts(small: &ReducedPicture, wedge: &Ordered) -> Vec<WedgeEnd> {
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
    small: &'a ReducedPicture,
    wedge: &'a Ordered,
}

impl Look<'_> {
    /// The cell of number `k` in reading order; numbers outside the wedge continue in the row before or after.
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

    /// The doubt about the end at number `end`; `None` without one.
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
        let part = |low: f64, span: (f64, f64)| low + span.0..low + span.1;
        mean_of(self.small, &self.wedge.map, part(x, across), part(y, down)).is_none()
    }
}
