//! Whether light falls in steps along a wedge, or runs on evenly: over tiles of a ceiling, or panes, that a lamp lights from one
//! side.
//!
//! Within the patches of a wedge the light is even and all of the step lies between them. On tiles the light within each goes on as
//! it does from tile to tile.
use super::lattice::mean_of;
use super::shrink::ReducedPicture;
use std::ops::Range;
use stopspan_core::model::Homography;
use stopspan_core::statistics::robust::median;

/// Middle of a cell across the direction of the steps, and its parts before and behind the middle along it; shares of the pitch.
const ACROSS: (f64, f64) = (0.3, 0.7);
const BEFORE: (f64, f64) = (0.25, 0.4);
const BEHIND: (f64, f64) = (0.6, 0.75);
/// Distance between the middles of the two parts, pitches.
const APART: f64 = 0.35;
/// Least step, stops, with which a slope is compared.
const LEAST: f64 = 0.02;
/// Slope within the patches over that from patch to patch at which the two are as likely: half of a slope that runs on. Uneven
/// light leaves a tenth.
const EVEN_ODDS: f64 = 0.45;

/// Belief in steps, 0..=1, for a wedge of so many rows and columns that `map` takes to the picture.
pub(super) fn stepped(
    small: &ReducedPicture,
    map: &Homography,
    (rows, columns): (usize, usize),
) -> f64 {
    let along = if columns > 1 { columns } else { rows };
    let lines = if columns > 1 { rows } else { 1 };
    let mut shares: Vec<f64> = Vec::new();
    for line in 0..lines {
        let cell = |k: usize| Cell::at(small, map, (k, line), columns > 1);
        let cells: Option<Vec<Cell>> = (0..along).map(cell).collect();
        let Some(cells) = cells else { continue };
        for pair in cells.windows(2) {
            let step = pair[1].log - pair[0].log;
            if step.abs() >= LEAST {
                shares.push((pair[0].slope + pair[1].slope) / (2.0 * step));
            }
        }
    }
    let share = median(&shares).unwrap_or(0.0).max(0.0);
    1.0 / (1.0 + (share / EVEN_ODDS).powi(6))
}

/// Light of one cell, log2, and its slope along the line, stops a pitch.
struct Cell {
    log: f64,
    slope: f64,
}

impl Cell {
    /// Cell `k` of a line; `None` outside the picture. Lines are rows, or else the only column.
    fn at(
        small: &ReducedPicture,
        map: &Homography,
        (k, line): (usize, usize),
        is_row: bool,
    ) -> Option<Self> {
        let (k, line) = (k as f64, line as f64);
        let across = line + ACROSS.0..line + ACROSS.1;
        let part = |(from, to): (f64, f64)| -> Option<f64> {
            let along: Range<f64> = k + from..k + to;
            let (x, y) = if is_row {
                (along, across.clone())
            } else {
                (across.clone(), along)
            };
            mean_of(small, map, x, y).map(|(log, _)| log)
        };
        let (before, behind) = (part(BEFORE)?, part(BEHIND)?);
        Some(Cell {
            log: (before + behind) / 2.0,
            slope: (behind - before) / APART,
        })
    }
}
