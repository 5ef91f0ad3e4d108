//! Gaussian pyramids: halving and doubling a plane with the kernel of Burt and Adelson (1983).
use ndarray::Array2;
use rayon::prelude::*;

/// Rows in one parallel task: enough work to outweigh the task's cost, few enough to occupy all cores.
const BAND: usize = 16;

/// Index reflected into `0..len` without repeating the edge sample (…2 1 0 1 2…), for offsets up to two.
fn reflect(index: isize, len: usize) -> usize {
    let last = len as isize - 1;
    let folded = if index < 0 { -index } else { index };
    let folded = if folded > last {
        2 * last - folded
    } else {
        folded
    };
    folded.clamp(0, last) as usize
}

/// The plane at half size (rows and columns rounded up), low-passed by [1 4 6 4 1]/16 along both axes. The unit is
/// kept. An empty plane gives an empty plane.
pub fn reduce(plane: &Array2<f32>) -> Array2<f32> {
    let (rows, columns) = plane.dim();
    let (half_rows, half_columns) = (rows.div_ceil(2), columns.div_ceil(2));
    let mut out = Array2::zeros((half_rows, half_columns));
    let (Some(from), Some(to)) = (plane.as_slice(), out.as_slice_mut()) else {
        return out;
    };
    if rows == 0 || columns == 0 {
        return out;
    }
    to.par_chunks_mut(half_columns * BAND)
        .enumerate()
        .for_each(|(band, chunk)| {
            let mut blurred = vec![0f32; columns];
            for (i, target) in chunk.chunks_mut(half_columns).enumerate() {
                let centre = 2 * (band * BAND + i) as isize;
                let row = |k: isize| {
                    let r = reflect(centre + k, rows);
                    &from[r * columns..(r + 1) * columns]
                };
                let (a, b, c, d, e) = (row(-2), row(-1), row(0), row(1), row(2));
                for x in 0..columns {
                    blurred[x] = (a[x] + e[x] + 4.0 * (b[x] + d[x]) + 6.0 * c[x]) / 16.0;
                }
                halve_row(&blurred, target);
            }
        });
    out
}

fn halve_row(from: &[f32], to: &mut [f32]) {
    let n = from.len();
    let at = |i: isize| from[reflect(i, n)];
    let tap = |x: usize| {
        let c = 2 * x as isize;
        (at(c - 2) + at(c + 2) + 4.0 * (at(c - 1) + at(c + 1)) + 6.0 * at(c)) / 16.0
    };
    let inner = if n >= 5 { (n - 3) / 2 } else { 0 };
    for (x, value) in to.iter_mut().enumerate() {
        *value = if x >= 1 && x <= inner {
            let w = &from[2 * x - 2..2 * x + 3];
            (w[0] + w[4] + 4.0 * (w[1] + w[3]) + 6.0 * w[2]) / 16.0
        } else {
            tap(x)
        };
    }
}

/// The plane at `rows` x `columns`, a size that [`reduce`] would bring to the plane's: zeros are inserted between the
/// samples and low-passed by the same kernel. Returns zeros if the sizes do not match.
pub fn expand(plane: &Array2<f32>, rows: usize, columns: usize) -> Array2<f32> {
    let mut out = Array2::zeros((rows, columns));
    expand_into(plane, &mut out, |_, expanded, out| {
        out.copy_from_slice(expanded)
    });
    out
}

/// [`expand`] to the size of `out`, row by row: `put` is given the number of a row, the expanded row and that of `out`. Nothing
/// happens if the sizes do not match.
pub fn expand_into(
    plane: &Array2<f32>,
    out: &mut Array2<f32>,
    put: impl Fn(usize, &[f32], &mut [f32]) + Sync,
) {
    let (half_rows, half_columns) = plane.dim();
    let (rows, columns) = out.dim();
    let fits = half_rows == rows.div_ceil(2) && half_columns == columns.div_ceil(2);
    let (Some(from), Some(to)) = (plane.as_slice(), out.as_slice_mut()) else {
        return;
    };
    if !fits || rows == 0 || columns == 0 {
        return;
    }
    to.par_chunks_mut(columns * BAND)
        .enumerate()
        .for_each(|(band, chunk)| {
            let mut mixed = vec![0f32; half_columns];
            let mut expanded = vec![0f32; columns];
            for (i, target) in chunk.chunks_mut(columns).enumerate() {
                let r = band * BAND + i;
                let row = |k: isize| {
                    let s = sample((r / 2) as isize + k, rows);
                    &from[s * half_columns..(s + 1) * half_columns]
                };
                let (before, here, after) = (row(-1), row(0), row(1));
                if r.is_multiple_of(2) {
                    for x in 0..half_columns {
                        mixed[x] = (before[x] + 6.0 * here[x] + after[x]) / 8.0;
                    }
                } else {
                    for x in 0..half_columns {
                        mixed[x] = (here[x] + after[x]) / 2.0;
                    }
                }
                double_row(&mixed, &mut expanded);
                put(r, &expanded, target);
            }
        });
}

/// Index of the sample at place `index` of the expanded line, where every second of `len` places has one, with
/// reflection at the ends.
fn sample(index: isize, len: usize) -> usize {
    reflect(2 * index, len) / 2
}

fn double_row(from: &[f32], to: &mut [f32]) {
    let n = to.len();
    let place = |x: usize| {
        let i = x / 2;
        let after = from[sample(i as isize + 1, n)];
        if x.is_multiple_of(2) {
            (from[sample(i as isize - 1, n)] + 6.0 * from[i] + after) / 8.0
        } else {
            (from[i] + after) / 2.0
        }
    };
    // Places 2 .. 2 + 2 * inner have both neighbours.
    let inner = from.len().saturating_sub(2);
    let ends = (0..n.min(2)).chain(2 + 2 * inner..n);
    for x in ends {
        to[x] = place(x);
    }
    let pairs = to.get_mut(2..2 + 2 * inner).unwrap_or_default();
    for (pair, f) in pairs.as_chunks_mut::<2>().0.iter_mut().zip(from.windows(3)) {
        *pair = [(f[0] + 6.0 * f[1] + f[2]) / 8.0, (f[1] + f[2]) / 2.0];
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn constants_and_sizes_are_kept() {
        for (rows, columns) in [(1, 1), (1, 7), (2, 2), (5, 3), (33, 64)] {
            let plane = Array2::from_elem((rows, columns), 3.5f32);
            let half = reduce(&plane);
            assert_eq!(half.dim(), (rows.div_ceil(2), columns.div_ceil(2)));
            let back = expand(&half, rows, columns);
            assert_eq!(back.dim(), plane.dim());
            for v in half.iter().chain(back.iter()) {
                assert!((v - 3.5).abs() < 1e-5, "{rows}x{columns}: {v}");
            }
        }
    }

    /// The slow obvious twin: zeros between the samples, full two-dimensional convolution with four times the weight.
    #[test]
    fn expand_is_zeros_and_convolution() {
        for (rows, columns) in [(6, 9), (7, 4), (2, 3), (1, 2)] {
            let size = (usize::div_ceil(rows, 2), usize::div_ceil(columns, 2));
            let small = Array2::from_shape_fn(size, |(r, c)| ((r * 7 + c * 5) % 11) as f32);
            let w = [1.0, 4.0, 6.0, 4.0, 1.0];
            for ((r, c), &value) in expand(&small, rows, columns).indexed_iter() {
                let (mut sum, mut weights) = (0.0, 0.0);
                for (i, wi) in w.iter().enumerate() {
                    for (j, wj) in w.iter().enumerate() {
                        let y = reflect((r + i) as isize - 2, rows);
                        let x = reflect((c + j) as isize - 2, columns);
                        if y.is_multiple_of(2) && x.is_multiple_of(2) {
                            sum += wi * wj * small[[y / 2, x / 2]];
                            weights += wi * wj;
                        }
                    }
                }
                let wanted = sum / weights;
                assert!((value - wanted).abs() < 1e-5, "{rows}x{columns} ({r},{c})");
            }
        }
    }

    /// The slow obvious twin: full two-dimensional convolution, then every second sample.
    #[test]
    fn reduce_is_convolution_and_decimation() {
        let plane = Array2::from_shape_fn((13, 18), |(r, c)| ((r * 7 + c * c * 3) % 11) as f32);
        let half = reduce(&plane);
        let w = [1.0, 4.0, 6.0, 4.0, 1.0];
        for ((r, c), &value) in half.indexed_iter() {
            let mut sum = 0.0;
            for (i, wi) in w.iter().enumerate() {
                for (j, wj) in w.iter().enumerate() {
                    let y = reflect((2 * r + i) as isize - 2, 13);
                    let x = reflect((2 * c + j) as isize - 2, 18);
                    sum += wi * wj * plane[[y, x]] / 256.0;
                }
            }
            assert!((value - sum).abs() < 1e-5, "({r},{c}): {value} {sum}");
        }
    }
}
