//! Coarse to fine: a shift and a turn by Gauss-Newton on the rank planes, gain and offset free (after Lucas and Kanade
//! 1981; the free gain and offset make the measure the correlation of Evangelidis and Psarakis 2008).
use nalgebra::{Matrix5, Vector5};
use ndarray::Array2;
use rayon::prelude::*;
use stopspan_core::raster::{Point, Transform, Work, dispatch_simd, to_i32_fast};

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
            let mut line = vec![0f32; columns];
            for r in start..(start + BAND).min(rows - 1) {
                look_up_row(frame, map, r, &mut line);
                for c in 1..columns - 1 {
                    let seen = line[c];
                    if seen.is_nan() {
                        continue;
                    }
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

/// The frame's values along a row of the reference, as [`look_up`] gives them; no number where it gives none.
pub(super) fn look_up_row(frame: &Array2<f32>, map: &Transform, row: usize, out: &mut [f32]) {
    match frame.as_slice() {
        Some(samples) if *map == Transform::IDENTITY => {
            let (rows, columns) = frame.dim();
            out.fill(f32::NAN);
            if row + 1 < rows {
                let line = &samples[row * columns..][..columns - 1];
                out.iter_mut().zip(line).for_each(|(out, v)| *out = *v);
            }
        }
        Some(samples) => dispatch_simd(RowSeen {
            samples,
            dim: frame.dim(),
            map,
            row,
            out,
        }),
        None => {
            let values = (0..).map(|c| look_up(frame, map, row, c).unwrap_or(f32::NAN));
            out.iter_mut().zip(values).for_each(|(out, v)| *out = v);
        }
    }
}

struct RowSeen<'a> {
    samples: &'a [f32],
    dim: (usize, usize),
    map: &'a Transform,
    row: usize,
    out: &'a mut [f32],
}

impl Work for RowSeen<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        const TOGETHER: usize = 128;
        let Transform([a, b, c]) = self.map;
        let (rows, columns) = self.dim;
        let (right, bottom) = (columns as f64 - 1.0, rows as f64 - 1.0);
        let y = self.row as f64 + 0.5;
        let (mut index, mut parts) = ([0i32; TOGETHER], [(0f32, 0f32); TOGETHER]);
        for (first, out) in (0..).step_by(TOGETHER).zip(self.out.chunks_mut(TOGETHER)) {
            let places = index.iter_mut().zip(&mut parts);
            for (k, (index, part)) in (first..).zip(places).take(out.len()) {
                let x = f64::from(k) + 0.5;
                let w = c[0] * x + c[1] * y + c[2];
                let at_x = (a[0] * x + a[1] * y + a[2]) / w - 0.5;
                let at_y = (b[0] * x + b[1] * y + b[2]) / w - 0.5;
                let inside =
                    (w > 1e-9) & (at_x >= 0.0) & (at_y >= 0.0) & (at_x < right) & (at_y < bottom);
                let (column, line) = (at_x.floor(), at_y.floor());
                *part = ((at_x - column) as f32, (at_y - line) as f32);
                let place = to_i32_fast(line * columns as f64 + column);
                *index = if inside { place } else { -1 };
            }
            for (out, (&index, &(s, t))) in out.iter_mut().zip(index.iter().zip(&parts)) {
                let Ok(at) = usize::try_from(index) else {
                    *out = f32::NAN;
                    continue;
                };
                let (upper, lower) = (
                    &self.samples[at..at + 2],
                    &self.samples[at + columns..][..2],
                );
                let top = upper[0] + s * (upper[1] - upper[0]);
                let below = lower[0] + s * (lower[1] - lower[0]);
                *out = top + t * (below - top);
            }
        }
    }
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
    let mut line = vec![0f32; columns];
    for r in (0..rows).step_by(2) {
        look_up_row(frame, map, r, &mut line);
        for c in (0..columns).step_by(2) {
            let seen = line[c];
            if !seen.is_nan() {
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

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn rows_are_those_of_single_places(
            degrees in prop_oneof![Just(0.0), -8.0..8.0f64],
            x in prop_oneof![(-3i32..4).prop_map(f64::from), -30.0..30.0f64],
            y in prop_oneof![(-3i32..4).prop_map(f64::from), -30.0..30.0f64],
            tilt in prop_oneof![Just(0.0), -1e-4..1e-4f64],
        ) {
            let frame = Array2::from_shape_fn((40, 300), |(r, c)| ((r * 37 + c * 11) % 97) as f32);
            let mut map = Transform::turn(Point { x: 150.0, y: 20.0 }, degrees, x, y);
            map.0[2][0] = tilt;
            for row in 0..40 {
                let mut line = vec![0.0; 300];
                look_up_row(&frame, &map, row, &mut line);
                for (c, seen) in line.into_iter().enumerate() {
                    let alone = look_up(&frame, &map, row, c).unwrap_or(f32::NAN);
                    prop_assert!(seen == alone || seen.is_nan() && alone.is_nan(), "{row} {c}: {seen} {alone}");
                }
            }
        }
    }
}
