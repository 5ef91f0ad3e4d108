//! Carries a found grid on by whole columns: where steps that run together in the dark end every row, the grid is found too narrow.
//!
//! Read in order, the cells of a further column must lie between the end of their own row and the beginning of the next, all down the
//! grid, as quiet as the steps beside them.
use super::tails::{Cell, LAST, Light, Look, goes_on};

/// Fewest rows in which a cell of a further column must differ from the step beside it.
const SEEN: usize = 2;

/// Number of columns to add to a grid, to the left (-1) or to the right (1), at most `room`.
pub(super) fn beside(look: &Look, to: i32, (boustrophedon, room): (bool, i32)) -> i32 {
    let mut count = 0;
    for k in 1..=room {
        let new = if to > 0 { look.columns - 1 + k } else { -k };
        if !follows(look, new, boustrophedon) {
            break;
        }
        let ends = (0..look.rows).filter(|row| look.ends_at((new, *row), (to, 0)));
        if 2 * ends.count() >= look.rows as usize {
            count = k;
        }
    }
    count
}

/// True if light goes on steadily through the cells of a column, which is the outermost one.
fn follows(look: &Look, new: i32, boustrophedon: bool) -> bool {
    let (left, right) = (new.min(0), new.max(look.columns - 1));
    let inwards = if new < 0 { 1 } else { -1 };
    let order = (0..look.rows).flat_map(|row| {
        (left..=right).map(move |k| match boustrophedon && row % 2 == 1 {
            true => (left + right - k, row),
            false => (k, row),
        })
    });
    let order: Vec<Cell> = order.collect();
    let mut seen = 0;
    for pair in order.windows(2) {
        let [(a, row_a), (b, row_b)] = pair else {
            continue;
        };
        if *a != new && *b != new {
            continue;
        }
        let row = if *b == new { *row_b } else { *row_a };
        let near: Option<Vec<Light>> = (1..=LAST)
            .map(|k| look.cell((new + k * inwards, row)))
            .collect();
        let cells = look.cell((*a, *row_a)).zip(look.cell((*b, *row_b)));
        let (Some(near), Some((before, here))) = (near, cells) else {
            return false;
        };
        if !goes_on(&here, &before, &near, !look.dark_first) {
            return false;
        }
        seen += usize::from(row_a == row_b && here.differs(&before));
    }
    let edge = [(new, 0), (new, look.rows - 1)];
    let outside = edge.iter().any(|cell| {
        let here = look.cell(*cell);
        here.is_some_and(|here| look.differs_beside(*cell, &here))
    });
    seen >= SEEN && outside
}
