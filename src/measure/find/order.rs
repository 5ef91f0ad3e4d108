//! The part of a lattice that is the wedge, its orientation, and the order of its steps.
use super::FEWEST_STEPS;
use super::continuity;
use super::lattice::{CellStatistics, FittedLattice};
use super::shrink::ReducedPicture;
use super::starting_at;
use super::tails::{Extent, MOST};
use stopspan_core::model::Homography;
use stopspan_core::raster::Point;
use stopspan_core::statistics::robust::median;

/// Least step, stops; and how much of the steps before it a step may be where no patch was seen.
const LEAST_STEP: f64 = 0.02;
const GREATEST_STEP: f64 = 2.6;
const TREND: (f64, f64) = (0.3, 1.9);

/// A wedge on a lattice, oriented as a page with x as nearly as possible to the right.
pub(super) struct Ordered {
    /// Maps columns and rows of the wedge to pixels of the reduced picture.
    pub map: Homography,
    pub rows: usize,
    pub columns: usize,
    pub dark_first: bool,
    pub boustrophedon: bool,
    pub fill: (f64, f64),
    pub confidence: f64,
    /// Cells by which steps that are no patches may carry it on.
    pub room: Room,
}

/// Numbers of columns and of rows.
#[derive(Clone, Copy)]
pub(super) struct Room {
    /// To the left, and above.
    pub before: (i32, i32),
    /// To the right, and below.
    pub after: (i32, i32),
}

impl Ordered {
    /// The same wedge with other cells.
    pub fn carried_on(&self, extent: Extent) -> Self {
        Ordered {
            map: starting_at(&self.map, extent.first),
            rows: extent.rows,
            columns: extent.columns,
            boustrophedon: extent.boustrophedon,
            ..*self
        }
    }
}

/// A rectangle of cells.
#[derive(Clone, Copy)]
struct Window {
    left: usize,
    top: usize,
    columns: usize,
    rows: usize,
}

/// The best wedge on the lattice; `None` if no part of it falls or rises steadily.
pub(super) fn ordered(sheet: &FittedLattice, small: &ReducedPicture) -> Option<Ordered> {
    let mut best: Option<(f64, usize, (Window, Room), Reading)> = None;
    for turn in turns(sheet) {
        let cells = turned(&sheet.cells, turn);
        let (sums, holding) = (Sums::of(&cells), Holding::of(&cells));
        for window in windows(&cells) {
            let members = sums.members(window);
            let steps = (window.rows * window.columns) as f64;
            let score = members as f64 + 0.3 * (steps - members as f64);
            if members < 5 || best.as_ref().is_some_and(|b| score <= b.0) {
                continue;
            }
            let Some(room) = holding.room(window, members) else {
                continue;
            };
            for boustrophedon in [false, true] {
                if boustrophedon && window.rows == 1 {
                    continue;
                }
                let Some(reading) = read(&cells, window, boustrophedon, sheet.brightest) else {
                    continue;
                };
                let coloured = same_colour(&cells, window).is_none();
                if !coloured && best.as_ref().is_none_or(|b| score > b.0) {
                    best = Some((score, turn, (window, room), reading));
                }
            }
        }
    }
    let (_, turn, (window, room), reading) = best?;
    let cells = turned(&sheet.cells, turn);
    let (rows, columns) = (sheet.cells.len(), sheet.cells[0].len());
    let map = to_page(turn, rows, columns)?.then(&sheet.map);
    let fill = if turn.is_multiple_of(2) {
        sheet.fill
    } else {
        (sheet.fill.1, sheet.fill.0)
    };
    let map = starting_at(&map, (window.left as i32, window.top as i32));
    let stepped = continuity::stepped(small, &map, (window.rows, window.columns));
    Some(Ordered {
        map,
        rows: window.rows,
        columns: window.columns,
        dark_first: reading.dark_first,
        boustrophedon: reading.boustrophedon,
        fill,
        confidence: stepped * confidence(&cells, window, &reading, sheet.residual),
        room,
    })
}

/// The rows and columns of a lattice that hold patches.
struct Holding {
    patches: usize,
    /// From the first to behind the last with two patches at least.
    rows: (usize, usize),
    columns: (usize, usize),
}

impl Holding {
    fn of(cells: &[Vec<CellStatistics>]) -> Self {
        let across = cells[0].len();
        let of_row = |row: &Vec<CellStatistics>| row.iter().filter(|c| c.patch).count();
        let of_column = |c: usize| cells.iter().filter(|row| row[c].patch).count();
        let span = |counts: Vec<usize>| {
            let first = counts.iter().position(|n| *n >= 2);
            let last = counts.iter().rposition(|n| *n >= 2);
            (first.unwrap_or(0), last.map_or(counts.len(), |l| l + 1))
        };
        Holding {
            patches: cells.iter().map(of_row).sum(),
            rows: span(cells.iter().map(of_row).collect()),
            columns: span((0..across).map(of_column).collect()),
        }
    }

    /// By how many cells a wedge may go on in each direction, where `members` of its cells are patches. Where as many other patches
    /// lie beside it on its lattice as it has steps, as beside the greys of a colour chart, it ends where they do; `None` if it does not.
    fn room(&self, w: Window, members: usize) -> Option<Room> {
        if self.patches - members < w.rows * w.columns {
            return Some(Room {
                before: MOST,
                after: MOST,
            });
        }
        let left = |inner: usize, outer: usize| Some(inner.checked_sub(outer)? as i32);
        Some(Room {
            before: (left(w.left, self.columns.0)?, left(w.top, self.rows.0)?),
            after: (
                left(self.columns.1, w.left + w.columns)?,
                left(self.rows.1, w.top + w.rows)?,
            ),
        })
    }
}

/// Number of patches above and to the left of each cell corner, for counting those in a window.
struct Sums(Vec<Vec<usize>>);

impl Sums {
    fn of(cells: &[Vec<CellStatistics>]) -> Self {
        let mut sums = vec![vec![0; cells[0].len() + 1]; cells.len() + 1];
        for (r, row) in cells.iter().enumerate() {
            for (c, cell) in row.iter().enumerate() {
                sums[r + 1][c + 1] =
                    sums[r][c + 1] + sums[r + 1][c] - sums[r][c] + usize::from(cell.patch);
            }
        }
        Sums(sums)
    }

    fn members(&self, w: Window) -> usize {
        let s = &self.0;
        let (bottom, right) = (w.top + w.rows, w.left + w.columns);
        s[bottom][right] + s[w.top][w.left] - s[w.top][right] - s[bottom][w.left]
    }
}

/// Quarter turns to try; the first aligns the lattice's columns with the picture's.
fn turns(sheet: &FittedLattice) -> [usize; 4] {
    let (a, b) = (
        sheet.map.map(Point { x: 0.0, y: 0.0 }),
        sheet.map.map(Point { x: 1.0, y: 0.0 }),
    );
    let angle = (b.y - a.y).atan2(b.x - a.x);
    // One turn makes the old -y the new x, which points right for a lattice whose x points down.
    let first = (angle / std::f64::consts::FRAC_PI_2)
        .round()
        .rem_euclid(4.0) as usize;
    [0, 1, 2, 3].map(|k| (first + k) % 4)
}

/// The cells after `turn` quarter turns, where the new x is: old x, old -y, old -x, old y.
fn turned(cells: &[Vec<CellStatistics>], turn: usize) -> Vec<Vec<CellStatistics>> {
    let (rows, columns) = (cells.len(), cells[0].len());
    let (new_rows, new_columns) = if turn.is_multiple_of(2) {
        (rows, columns)
    } else {
        (columns, rows)
    };
    let old = |y: usize, x: usize| match turn {
        0 => cells[y][x],
        1 => cells[rows - 1 - x][y],
        2 => cells[rows - 1 - y][columns - 1 - x],
        _ => cells[x][columns - 1 - y],
    };
    (0..new_rows)
        .map(|y| (0..new_columns).map(|x| old(y, x)).collect())
        .collect()
}

/// Maps page coordinates after the turn to lattice coordinates.
fn to_page(turn: usize, rows: usize, columns: usize) -> Option<Homography> {
    let (r, c) = (rows as f64, columns as f64);
    let rows = match turn {
        0 => [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]],
        1 => [[0.0, 1.0, 0.0], [-1.0, 0.0, r]],
        2 => [[-1.0, 0.0, c], [0.0, -1.0, r]],
        _ => [[0.0, -1.0, c], [1.0, 0.0, 0.0]],
    };
    Homography::of_rows([rows[0], rows[1], [0.0, 0.0, 1.0]])
}

/// All windows of at least [`FEWEST_STEPS`] cells: one row, one column, or at least two rows and three columns.
fn windows(cells: &[Vec<CellStatistics>]) -> Vec<Window> {
    let (rows, columns) = (cells.len(), cells[0].len());
    let mut windows = Vec::new();
    for top in 0..rows {
        for bottom in top + 1..=rows {
            for left in 0..columns {
                for right in left + 1..=columns {
                    let w = Window {
                        left,
                        top,
                        columns: right - left,
                        rows: bottom - top,
                    };
                    let line = w.rows == 1 || w.columns == 1;
                    let square_enough = line || (w.rows >= 2 && w.columns >= 3);
                    if w.rows * w.columns >= FEWEST_STEPS && square_enough {
                        windows.push(w);
                    }
                }
            }
        }
    }
    windows
}

struct Reading {
    dark_first: bool,
    boustrophedon: bool,
    /// Standard deviation of the steps over their mean.
    unevenness: f64,
}

fn read(
    cells: &[Vec<CellStatistics>],
    w: Window,
    boustrophedon: bool,
    brightest: f64,
) -> Option<Reading> {
    let at = |k: usize| {
        let (row, column) = (k / w.columns, k % w.columns);
        let column = if boustrophedon && row % 2 == 1 {
            w.columns - 1 - column
        } else {
            column
        };
        cells[w.top + row][w.left + column]
    };
    let count = w.rows * w.columns;
    let (first, last) = (at(0), at(count - 1));
    if !first.spread.is_finite() || !last.spread.is_finite() {
        return None;
    }
    let dark_first = first.log < last.log;
    let steps = steady(
        count,
        |k| at(if dark_first { count - 1 - k } else { k }),
        brightest,
    )?;
    let mean = steps.iter().sum::<f64>() / steps.len() as f64;
    let variance = steps.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / steps.len() as f64;
    Some(Reading {
        dark_first,
        boustrophedon,
        unevenness: variance.sqrt() / mean,
    })
}

/// The steps from light to dark if all are steady, else `None`; steps between clipped patches are left out.
fn steady(count: usize, at: impl Fn(usize) -> CellStatistics, brightest: f64) -> Option<Vec<f64>> {
    const CLIPPED: f64 = 0.05;
    let mut steps: Vec<f64> = Vec::with_capacity(count);
    for k in 1..count {
        let (a, b) = (at(k - 1), at(k));
        let step = a.log - b.log;
        if a.log > brightest - CLIPPED && b.log > brightest - CLIPPED {
            continue;
        }
        let seen = a.patch && b.patch;
        let flat = is_flat(&a, &b, step) && is_flat(&b, &a, step);
        if !flat || !(LEAST_STEP..=GREATEST_STEP).contains(&step) {
            return None;
        }
        let before = &steps[steps.len().saturating_sub(3)..];
        if !seen && !before.is_empty() {
            let trend = before.iter().sum::<f64>() / before.len() as f64;
            if !(TREND.0 * trend..=TREND.1 * trend).contains(&step) {
                return None;
            }
        }
        steps.push(step);
    }
    let ends = [at(0), at(count - 1)];
    let sound = ends
        .iter()
        .all(|e| e.patch || e.stands_out > 0.04 + e.spread);
    (sound && steps.len() >= 4).then_some(steps)
}

/// True if a patch was found in the cell, or if its spread is small compared with the step and its neighbour's spread.
pub(super) fn is_flat(cell: &CellStatistics, neighbour: &CellStatistics, step: f64) -> bool {
    let allowed = 0.03 + 0.15 * step + 1.5 * neighbour.spread.min(0.3);
    cell.spread.is_finite() && (cell.patch || cell.spread < allowed)
}

/// Largest difference of the steps of a wedge in log2 of red or blue over luminance, and the depth below the lightest step from
/// which colour is left to noise and to errors of the response; stops.
const SAME_COLOUR: f64 = 0.4;
/// The same for a patch beside the wedge that counts as one more of its kind.
const ALIKE: f64 = 0.25;
const DEEP: f64 = 4.0;

/// The colour that the steps of a window share, without meaning where no colour is known; `None` where they differ.
fn same_colour(cells: &[Vec<CellStatistics>], w: Window) -> Option<[f64; 2]> {
    let rows = &cells[w.top..w.top + w.rows];
    let inside = || rows.iter().flat_map(|r| &r[w.left..w.left + w.columns]);
    let lightest = inside().map(|c| c.log).fold(f64::MIN, f64::max);
    let light = inside().filter(|c| c.log > lightest - DEEP);
    let colours: Vec<[f64; 2]> = light.filter_map(|c| c.colour).collect();
    let middle = [0, 1].map(|k| {
        let values: Vec<f64> = colours.iter().map(|c| c[k]).collect();
        median(&values).unwrap_or(0.0)
    });
    let alike = colours.iter().all(|c| is_like(c, &middle, SAME_COLOUR));
    alike.then_some(middle)
}

fn is_like(colour: &[f64; 2], other: &[f64; 2], within: f64) -> bool {
    (0..2).all(|k| (colour[k] - other[k]).abs() <= within)
}

/// Confidence from the number of patches, the evenness of steps and lattice, and the share within the wedge of those patches of
/// the lattice that have its colour (part of a random tiling can fall steadily by chance; colours around a row of greys are
/// no steps); each factor 0..=1.
fn confidence(
    cells: &[Vec<CellStatistics>],
    window: Window,
    reading: &Reading,
    residual: f64,
) -> f64 {
    let members = Sums::of(cells).members(window);
    let shared = same_colour(cells, window).unwrap_or_default();
    let of_colour =
        |c: &&CellStatistics| c.patch && c.colour.is_none_or(|c| is_like(&c, &shared, ALIKE));
    let all = cells.iter().flatten().filter(of_colour).count();
    let many = 1.0 - (-(members as f64 - 3.0) / 2.5).exp();
    let even = 1.0 / (1.0 + (reading.unevenness / 0.8).powi(4));
    let regular = 1.0 / (1.0 + (residual / 0.08).powi(2));
    let explained = (members as f64 / all.max(members) as f64).powi(3);
    many * even * regular * explained
}
