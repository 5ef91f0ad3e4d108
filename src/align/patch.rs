//! Smoothed luma of a rectangle of a frame, with a mask of usable pixels.
use super::signal::{CLIPPED, CRUSHED, visit_row};
use ndarray::Array2;
use stopspan_core::raster::Pixels;

/// Luma of a rectangle and its mask.
pub(super) struct Patch {
    /// Levels 0..=1, smoothed by [1 2 1]/4 along both axes.
    pub luma: Array2<f32>,
    /// True where all samples within [`SPREAD`] lie inside the frame and are neither clipped nor crushed.
    pub usable: Array2<bool>,
    /// True if the whole mask is.
    pub all_usable: bool,
}

/// Distance, rows and columns, up to which an unusable sample makes others unusable, pixels.
const SPREAD: usize = 2;

impl Patch {
    /// Cuts a rectangle that may extend beyond the frame; there the border samples are repeated and the mask is false.
    pub fn cut(pixels: &Pixels, top: isize, left: isize, (height, width): (usize, usize)) -> Self {
        let (high, wide) = (height + 2 * SPREAD, width + 2 * SPREAD);
        let mut raw = vec![0f32; high * wide];
        let mut valid = vec![false; high * wide];
        let (rows, columns) = (pixels.rows() as isize, pixels.columns() as isize);
        let (top, left) = (top - SPREAD as isize, left - SPREAD as isize);
        let first = left.clamp(0, columns - 1);
        let last = (left + wide as isize - 1).clamp(0, columns - 1);
        // Columns of the rectangle inside the frame, or the one nearest to it.
        let nearest = |column: isize| (column - left).clamp(0, wide as isize - 1) as usize;
        let inner = nearest(first)..nearest(last) + 1;
        let lines = raw.chunks_exact_mut(wide).zip(valid.chunks_exact_mut(wide));
        for (row, (line, valid)) in (top..).zip(lines) {
            let inside = (0..rows).contains(&row) && left + inner.start as isize == first;
            let mut to = line[inner.clone()]
                .iter_mut()
                .zip(&mut valid[inner.clone()]);
            visit_row(
                pixels,
                row.clamp(0, rows - 1) as usize,
                first as usize..last as usize + 1,
                |_, luma, peak| {
                    if let Some((to, valid)) = to.next() {
                        *to = luma;
                        *valid = inside & (peak < CLIPPED) & (luma > CRUSHED);
                    }
                },
            );
            let (before, after) = (line[inner.start], line[inner.end - 1]);
            line[..inner.start].fill(before);
            line[inner.end..].fill(after);
        }
        let raw = plane(raw, (high, wide));
        let valid = plane(valid, (high, wide));
        let usable = erode(&valid);
        Patch {
            all_usable: usable.iter().all(|u| *u),
            luma: smooth(&raw.slice(ndarray::s![1..high - 1, 1..wide - 1]).to_owned()),
            usable,
        }
    }
}

/// Smooths by [1 2 1]/4 along both axes; smaller by one pixel on every side.
fn smooth(raw: &Array2<f32>) -> Array2<f32> {
    slide(raw, |[a, b, c]| 0.25 * (a + c) + 0.5 * b)
}

/// Erosion: true where all pixels within [`SPREAD`] are; smaller by [`SPREAD`] on every side.
fn erode(valid: &Array2<bool>) -> Array2<bool> {
    slide(valid, |[a, b, c, d, e]| a & b & c & d & e)
}

/// Applies a function of `N` neighbouring values along the rows, then along the columns; smaller by `N - 1` along both axes.
fn slide<T: Copy + Default, const N: usize>(
    values: &Array2<T>,
    reduce: impl Fn([T; N]) -> T,
) -> Array2<T> {
    let (rows, columns) = values.dim();
    let width = columns + 1 - N;
    let mut across = Vec::with_capacity(rows * width);
    for row in values.as_slice().unwrap_or_default().chunks_exact(columns) {
        let windows = row.windows(N);
        across.extend(windows.map(|w| reduce(std::array::from_fn(|k| w[k]))));
    }
    let mut out = Vec::with_capacity((rows + 1 - N) * width);
    for first in (0..(rows + 1 - N) * width).step_by(width) {
        let lines: [&[T]; N] = std::array::from_fn(|k| &across[first + k * width..][..width]);
        out.extend((0..width).map(|c| reduce(std::array::from_fn(|k| lines[k][c]))));
    }
    plane(out, (rows + 1 - N, width))
}

/// A plane of these values, row by row.
fn plane<T: Copy + Default>(values: Vec<T>, dim: (usize, usize)) -> Array2<T> {
    Array2::from_shape_vec(dim, values).unwrap_or_else(|_| Array2::default(dim))
}
