//! Coarse to fine: a shift and a turn by Gauss-Newton on the rank planes, gain and offset free (after Lucas and Kanade
//! 1981; the free gain and offset make the measure the correlation of Evangelidis and Psarakis 2008).
use crate::raster::{Point, Transform};
use nalgebra::{Matrix5, Vector5};
use ndarray::Array2;
use rayon::prelude::*;

/// Steps at one pyramid level at most.
const STEPS: usize = 12;
/// A step that moves no corner by more than this many pixels of the level ends the level.
const SMALL_STEP: f64 = 0.01;
/// Rows a parallel task sums up.
const BAND: usize = 16;

/// Sums of one Gauss-Newton step.
#[derive(Clone, Copy)]
struct Sums {
    matrix: Matrix5<f64>,
    vector: Vector5<f64>,
    count: f64,
}

/// Refines `start` (full-size pixels) over the pyramids of two rank planes whose finest level is smaller than the
/// frames by `block`, from level `from` down to 0. Returns the map and the correlation reached, or `None` where the
/// overlap or the texture is too little to go on.
pub(super) fn refine(
    reference: &[Array2<f32>],
    frame: &[Array2<f32>],
    (block, from): (usize, usize),
    start: Transform,
) -> Option<(Transform, f64)> {
    let mut map = start;
    for level in (0..=from.min(reference.len() - 1)).rev() {
        let scale = 1.0 / (block << level) as f64;
        map =
            refine_level(&reference[level], &frame[level], map.scaled(scale))?.scaled(1.0 / scale);
    }
    let scale = 1.0 / block as f64;
    let score = correlation(&reference[0], &frame[0], &map.scaled(scale))?;
    Some((map, score))
}

fn refine_level(
    reference: &Array2<f32>,
    frame: &Array2<f32>,
    start: Transform,
) -> Option<Transform> {
    let (rows, columns) = reference.dim();
    let centre = Point {
        x: columns as f64 / 2.0,
        y: rows as f64 / 2.0,
    };
    let radius = centre.x.hypot(centre.y);
    let mut map = start;
    let (mut gain, mut offset) = (1.0, 0.0);
    let mut limit = 0.5;
    for _ in 0..STEPS {
        let sums = sum_up(reference, frame, &map, (gain, offset, limit));
        if sums.count < 0.2 * (rows * columns) as f64 {
            return None;
        }
        let step = sums.matrix.cholesky()?.solve(&sums.vector);
        // The step moves the point looked up in the frame: first turn and shift in the reference, then the map.
        let turn = step[0].clamp(-0.05, 0.05);
        let by = Transform::turn(centre, turn.to_degrees(), step[1], step[2]);
        map = map.after(&by);
        gain += step[3];
        offset += step[4];
        let moved = turn.abs() * radius + step[1].hypot(step[2]);
        limit = (0.6 * limit).max(0.12);
        if !moved.is_finite() {
            return None;
        }
        if moved < SMALL_STEP {
            break;
        }
    }
    Some(map)
}

/// Normal equations for (turn, columns, rows, gain, offset); residuals beyond `limit` weigh less (Huber).
fn sum_up(
    reference: &Array2<f32>,
    frame: &Array2<f32>,
    map: &Transform,
    (gain, offset, limit): (f64, f64, f64),
) -> Sums {
    let (rows, columns) = reference.dim();
    let starts: Vec<usize> = (1..rows.saturating_sub(1)).step_by(BAND).collect();
    let parts: Vec<Sums> = starts
        .par_iter()
        .map(|&start| {
            let mut sums = Sums {
                matrix: Matrix5::zeros(),
                vector: Vector5::zeros(),
                count: 0.0,
            };
            let mut normal = [[0f64; 5]; 5];
            for r in start..(start + BAND).min(rows - 1) {
                for c in 1..columns - 1 {
                    let Some(seen) = look_up(frame, map, r, c) else {
                        continue;
                    };
                    let here = reference[[r, c]];
                    let residual = f64::from(here) * gain + offset - f64::from(seen);
                    let weight = if residual.abs() > limit {
                        limit / residual.abs()
                    } else {
                        1.0
                    };
                    let dx = 0.5 * gain * f64::from(reference[[r, c + 1]] - reference[[r, c - 1]]);
                    let dy = 0.5 * gain * f64::from(reference[[r + 1, c]] - reference[[r - 1, c]]);
                    let x = c as f64 + 0.5 - columns as f64 / 2.0;
                    let y = r as f64 + 0.5 - rows as f64 / 2.0;
                    let row = [x * dy - y * dx, dx, dy, -f64::from(here), -1.0];
                    for i in 0..5 {
                        for j in i..5 {
                            normal[i][j] += weight * row[i] * row[j];
                        }
                        sums.vector[i] += weight * row[i] * residual;
                    }
                    sums.count += 1.0;
                }
            }
            for i in 0..5 {
                for j in 0..5 {
                    sums.matrix[(i, j)] = normal[i.min(j)][i.max(j)];
                }
            }
            sums
        })
        .collect();
    let mut total = Sums {
        matrix: Matrix5::identity() * 1e-6,
        vector: Vector5::zeros(),
        count: 0.0,
    };
    for part in parts {
        total.matrix += part.matrix;
        total.vector += part.vector;
        total.count += part.count;
    }
    total
}

/// The frame's value where pixel (row, column) of the reference lies in it, linearly interpolated.
#[inline]
pub(super) fn look_up(
    frame: &Array2<f32>,
    map: &Transform,
    row: usize,
    column: usize,
) -> Option<f32> {
    let at = map.apply(Point {
        x: column as f64 + 0.5,
        y: row as f64 + 0.5,
    })?;
    let (x, y) = (at.x - 0.5, at.y - 0.5);
    let (rows, columns) = frame.dim();
    if !(x >= 0.0 && y >= 0.0 && x < columns as f64 - 1.0 && y < rows as f64 - 1.0) {
        return None;
    }
    let (c, r) = (x as usize, y as usize);
    let (s, t) = ((x - c as f64) as f32, (y - r as f64) as f32);
    let top = frame[[r, c]] + s * (frame[[r, c + 1]] - frame[[r, c]]);
    let below = frame[[r + 1, c]] + s * (frame[[r + 1, c + 1]] - frame[[r + 1, c]]);
    Some(top + t * (below - top))
}

/// Correlation coefficient of the reference and the frame looked up through the map, over their overlap. `None` if
/// that is less than a fifth of the plane or without contrast.
pub(super) fn correlation(
    reference: &Array2<f32>,
    frame: &Array2<f32>,
    map: &Transform,
) -> Option<f64> {
    let (rows, columns) = reference.dim();
    let mut s = [0f64; 6];
    for r in (0..rows).step_by(2) {
        for c in (0..columns).step_by(2) {
            if let Some(seen) = look_up(frame, map, r, c) {
                let (a, b) = (f64::from(reference[[r, c]]), f64::from(seen));
                for (sum, term) in s.iter_mut().zip([1.0, a, b, a * a, b * b, a * b]) {
                    *sum += term;
                }
            }
        }
    }
    let [n, a, b, aa, bb, ab] = s;
    let spread = (aa - a * a / n) * (bb - b * b / n);
    (n > 0.05 * (rows * columns) as f64 && spread > 1e-9).then(|| (ab - a * b / n) / spread.sqrt())
}
