//! A rectangle of a frame's luma, with what of it can be used.
use super::signal::{CLIPPED, CRUSHED, visit_row};
use ndarray::Array2;
use stopspan_core::raster::Pixels;

/// Luma of a rectangle in levels, smoothed by [1 2 1]/4 both ways.
pub(super) struct Patch {
    pub luma: Array2<f32>,
    /// True where every sample within two pixels lies in the frame and is neither clipped nor crushed.
    pub usable: Array2<bool>,
    pub all_usable: bool,
}

/// How far a sample that cannot be used makes others unusable, pixels.
const SPREAD: usize = 2;

impl Patch {
    /// Cuts a rectangle that may reach outside, where the border's samples are repeated.
    pub fn cut(pixels: &Pixels, top: isize, left: isize, (height, width): (usize, usize)) -> Self {
        let (high, wide) = (height + 2 * SPREAD, width + 2 * SPREAD);
        let mut raw = vec![0f32; high * wide];
        let mut seen = vec![false; high * wide];
        let (rows, columns) = (pixels.rows() as isize, pixels.columns() as isize);
        let (top, left) = (top - SPREAD as isize, left - SPREAD as isize);
        let first = left.clamp(0, columns - 1);
        let last = (left + wide as isize - 1).clamp(0, columns - 1);
        // Columns of the rectangle that lie in the frame, or are nearest to it.
        let held = |column: isize| (column - left).clamp(0, wide as isize - 1) as usize;
        let inner = held(first)..held(last) + 1;
        let lines = raw.chunks_exact_mut(wide).zip(seen.chunks_exact_mut(wide));
        for (row, (line, seen)) in (top..).zip(lines) {
            let inside = (0..rows).contains(&row) && left + inner.start as isize == first;
            let mut to = line[inner.clone()].iter_mut().zip(&mut seen[inner.clone()]);
            visit_row(
                pixels,
                row.clamp(0, rows - 1) as usize,
                first as usize..last as usize + 1,
                |_, luma, peak| {
                    if let Some((to, seen)) = to.next() {
                        *to = luma;
                        *seen = inside & (peak < CLIPPED) & (luma > CRUSHED);
                    }
                },
            );
            let (before, after) = (line[inner.start], line[inner.end - 1]);
            line[..inner.start].fill(before);
            line[inner.end..].fill(after);
        }
        let raw = shaped(raw, (high, wide));
        let seen = shaped(seen, (high, wide));
        let usable = shrink(&seen);
        Patch {
            all_usable: usable.iter().all(|u| *u),
            luma: smooth(&raw.slice(ndarray::s![1..high - 1, 1..wide - 1]).to_owned()),
            usable,
        }
    }
}

fn smooth(raw: &Array2<f32>) -> Array2<f32> {
    slide(raw, |[a, b, c]| 0.25 * (a + c) + 0.5 * b)
}

/// True where all of the window of [`SPREAD`] is; smaller by the window.
fn shrink(seen: &Array2<bool>) -> Array2<bool> {
    slide(seen, |[a, b, c, d, e]| a & b & c & d & e)
}

/// Makes one of every `N` values next to each other, along the rows and then down the columns.
fn slide<T: Copy + Default, const N: usize>(
    plane: &Array2<T>,
    one: impl Fn([T; N]) -> T,
) -> Array2<T> {
    let (rows, columns) = plane.dim();
    let width = columns + 1 - N;
    let mut across = Vec::with_capacity(rows * width);
    for row in plane.as_slice().unwrap_or_default().chunks_exact(columns) {
        let windows = row.windows(N);
        across.extend(windows.map(|w| one(std::array::from_fn(|k| w[k]))));
    }
    let mut out = Vec::with_capacity((rows + 1 - N) * width);
    for first in (0..(rows + 1 - N) * width).step_by(width) {
        let lines: [&[T]; N] = std::array::from_fn(|k| &across[first + k * width..][..width]);
        out.extend((0..width).map(|c| one(std::array::from_fn(|k| lines[k][c]))));
    }
    shaped(out, (rows + 1 - N, width))
}

/// Values row by row as a plane of as many.
fn shaped<T: Copy + Default>(values: Vec<T>, dim: (usize, usize)) -> Array2<T> {
    Array2::from_shape_vec(dim, values).unwrap_or_else(|_| Array2::default(dim))
}
