//! Coarse-to-fine estimation of shift, rotation and, where asked for, scale by Gauss-Newton on the rank planes, with free gain and offset (after Lucas and
//! Kanade 1981; with gain and offset free, the criterion is the correlation of Evangelidis and Psarakis 2008).
use nalgebra::{Matrix6, Vector6};
use ndarray::Array2;
use rayon::prelude::*;
use stopspan_core::raster::{Point, Transform, Work, dispatch_simd, to_i32_fast};

/// Maximum number of steps at one pyramid level.
const STEPS: usize = 12;
/// Displacement of the corners by a step, pixels of the level, below which the level is finished.
const SMALL_STEP: f64 = 0.01;
/// Number of rows per parallel task.
const BAND: usize = 16;

/// Normal equations of one Gauss-Newton step, and the number of pixels in them.
#[derive(Clone, Copy)]
struct Sums {
    matrix: Matrix6<f64>,
    vector: Vector6<f64>,
    count: f64,
}

/// Parameters of a step without scale: gain, offset, columns, rows, rotation.
pub(super) const RIGID: usize = 5;
/// The same and scale.
pub(super) const SCALED: usize = 6;

/// Linear relation of levels: level of the frame = `gain` * level of the reference frame + `offset`.
#[derive(Clone, Copy)]
pub(super) struct GainOffset {
    pub gain: f64,
    pub offset: f64,
}

/// Refines `start` (full-size pixels) over the pyramids of two rank planes, from the coarsest level to the finest. A pixel of the
/// finest level covers `block` x `block` pixels of the frames. `N` is [`RIGID`] or [`SCALED`]. Returns the map (full-size pixels) and
/// the correlation coefficient reached, or `None` if overlap or texture is insufficient.
pub(super) fn refine<const N: usize>(
    reference: &[Array2<f32>],
    frame: &[Array2<f32>],
    block: usize,
    start: Transform,
) -> Option<(Transform, f64)> {
    let mut map = start;
    for level in (0..reference.len()).rev() {
        let scale = 1.0 / (block << level) as f64;
        map = refine_level::<N>(&reference[level], &frame[level], map.scaled(scale))?
            .scaled(1.0 / scale);
    }
    let scale = 1.0 / block as f64;
    let score = correlation(&reference[0], &frame[0], &map.scaled(scale))?;
    Some((map, score))
}

/// Refines `start` (pixels of the level) on one pyramid level. `None` if less than a fifth of the plane overlaps or the normal
/// equations are singular.
fn refine_level<const N: usize>(
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
    let mut levels = GainOffset {
        gain: 1.0,
        offset: 0.0,
    };
    let mut limit = 0.5;
    for _ in 0..STEPS {
        let sums = sum_up::<N>(reference, frame, &map, levels, limit);
        if sums.count < 0.2 * (rows * columns) as f64 {
            return None;
        }
        let step = sums.matrix.cholesky()?.solve(&sums.vector);
        // The step applies in the reference frame: first its scale, rotation and shift, then the map.
        let (turn, grow) = (step[4].clamp(-0.05, 0.05), step[5].clamp(-0.01, 0.01));
        let by = Transform::turn(centre, turn.to_degrees(), step[2], step[3]);
        map = map.after(&by).after(&enlargement(centre, 1.0 + grow));
        levels.gain += step[0];
        levels.offset += step[1];
        let moved = (turn.abs() + grow.abs()) * radius + step[2].hypot(step[3]);
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

/// The map that enlarges about `centre` by `factor`.
fn enlargement(centre: Point, factor: f64) -> Transform {
    let rest = 1.0 - factor;
    Transform([
        [factor, 0.0, rest * centre.x],
        [0.0, factor, rest * centre.y],
        [0.0, 0.0, 1.0],
    ])
}

/// Normal equations for the first `N` of (gain, offset, columns, rows, rotation, scale); those of the others leave them at 0.
/// Residuals above `limit` have reduced weight (Huber).
fn sum_up<const N: usize>(
    reference: &Array2<f32>,
    frame: &Array2<f32>,
    map: &Transform,
    levels: GainOffset,
    limit: f64,
) -> Sums {
    let (rows, columns) = reference.dim();
    let starts: Vec<usize> = (1..rows.saturating_sub(1)).step_by(BAND).collect();
    let parts: Vec<Sums> = starts
        .par_iter()
        .map(|&start| {
            let mut band = Band {
                levels,
                limit,
                normal: [[0.0; N]; N],
                vector: Vector6::zeros(),
                count: 0.0,
            };
            let mut line = vec![0f32; columns];
            for r in start..(start + BAND).min(rows - 1) {
                look_up_row(frame, map, r, &mut line);
                band.add_row(reference, &line, r);
            }
            band.sums()
        })
        .collect();
    let mut total = Sums {
        matrix: Matrix6::identity() * 1e-6,
        vector: Vector6::zeros(),
        count: 0.0,
    };
    for part in parts {
        total.matrix += part.matrix;
        total.vector += part.vector;
        total.count += part.count;
    }
    total
}

/// Sums over some rows for the first `N` parameters.
struct Band<const N: usize> {
    levels: GainOffset,
    /// Residual above which the weight is reduced.
    limit: f64,
    /// Upper triangle of the normal matrix.
    normal: [[f64; N]; N],
    vector: Vector6<f64>,
    count: f64,
}

impl<const N: usize> Band<N> {
    /// Adds row `r` of the reference and the frame's values at its pixels.
    #[inline]
    fn add_row(&mut self, reference: &Array2<f32>, line: &[f32], r: usize) {
        let GainOffset { gain, offset } = self.levels;
        let limit = self.limit;
        let (rows, columns) = reference.dim();
        for c in 1..columns - 1 {
            let there = line[c];
            if there.is_nan() {
                continue;
            }
            let here = reference[[r, c]];
            let residual = f64::from(here) * gain + offset - f64::from(there);
            let weight = if residual.abs() > limit {
                limit / residual.abs()
            } else {
                1.0
            };
            let dx = 0.5 * gain * f64::from(reference[[r, c + 1]] - reference[[r, c - 1]]);
            let dy = 0.5 * gain * f64::from(reference[[r + 1, c]] - reference[[r - 1, c]]);
            let x = c as f64 + 0.5 - columns as f64 / 2.0;
            let y = r as f64 + 0.5 - rows as f64 / 2.0;
            let all = [
                -f64::from(here),
                -1.0,
                dx,
                dy,
                x * dy - y * dx,
                x * dx + y * dy,
            ];
            let row: [f64; N] = std::array::from_fn(|i| all[i]);
            for i in 0..N {
                for j in i..N {
                    self.normal[i][j] += weight * row[i] * row[j];
                }
                self.vector[i] += weight * row[i] * residual;
            }
            self.count += 1.0;
        }
    }

    fn sums(self) -> Sums {
        let mut matrix = Matrix6::zeros();
        for i in 0..N {
            for j in 0..N {
                matrix[(i, j)] = self.normal[i.min(j)][i.max(j)];
            }
        }
        Sums {
            matrix,
            vector: self.vector,
            count: self.count,
        }
    }
}

/// Value of the frame at the mapped centre of pixel (row, column) of the reference frame, bilinearly interpolated; `None` outside
/// the frame.
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

/// Values of the frame along a row of the reference frame, as [`look_up`] returns them; NaN for `None`.
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
        Some(samples) => dispatch_simd(RowLookUp {
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

/// [`look_up_row`] for a frame in standard layout.
struct RowLookUp<'a> {
    samples: &'a [f32],
    /// Rows and columns of the frame.
    dim: (usize, usize),
    map: &'a Transform,
    row: usize,
    out: &'a mut [f32],
}

impl Work for RowLookUp<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        const BATCH: usize = 128;
        let Transform([a, b, c]) = self.map;
        let (rows, columns) = self.dim;
        let (right, bottom) = (columns as f64 - 1.0, rows as f64 - 1.0);
        let y = self.row as f64 + 0.5;
        let (mut index, mut fractions) = ([0i32; BATCH], [(0f32, 0f32); BATCH]);
        for (first, out) in (0..).step_by(BATCH).zip(self.out.chunks_mut(BATCH)) {
            let positions = index.iter_mut().zip(&mut fractions);
            for (k, (index, fraction)) in (first..).zip(positions).take(out.len()) {
                let x = f64::from(k) + 0.5;
                let w = c[0] * x + c[1] * y + c[2];
                let at_x = (a[0] * x + a[1] * y + a[2]) / w - 0.5;
                let at_y = (b[0] * x + b[1] * y + b[2]) / w - 0.5;
                let inside =
                    (w > 1e-9) & (at_x >= 0.0) & (at_y >= 0.0) & (at_x < right) & (at_y < bottom);
                let (column, line) = (at_x.floor(), at_y.floor());
                *fraction = ((at_x - column) as f32, (at_y - line) as f32);
                let sample = to_i32_fast(line * columns as f64 + column);
                *index = if inside { sample } else { -1 };
            }
            for (out, (&index, &(s, t))) in out.iter_mut().zip(index.iter().zip(&fractions)) {
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

/// Correlation coefficient, -1..=1, of the reference plane and the mapped frame over their overlap, from every second row and
/// column. `None` if the overlap is less than a fifth of the plane, or without contrast.
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
            let there = line[c];
            if !there.is_nan() {
                let (a, b) = (f64::from(reference[[r, c]]), f64::from(there));
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
        fn rows_equal_single_look_ups(
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
                for (c, value) in line.into_iter().enumerate() {
                    let single = look_up(&frame, &map, row, c).unwrap_or(f32::NAN);
                    prop_assert!(value == single || value.is_nan() && single.is_nan(), "{row} {c}: {value} {single}");
                }
            }
        }
    }
}
