//! Where to look: tiles spread over the frame, in each cell the place with most texture that both frames show.
use super::refine::look_up_row;
use super::signal::{CLIPPED, CRUSHED, Small};
use ndarray::Array2;
use rayon::prelude::*;
use stopspan_core::raster::Transform;

/// Cells along the longer side at most: to find a motion, and to see that there is none.
const CELLS: (usize, usize) = (16, 8);
/// The same where tiles are of the largest size, which are placed twice as well as the smallest.
const LARGE_CELLS: (usize, usize) = (12, 6);

/// Side of a tile in pixels of the frame, for a small plane of blocks of `block` pixels.
pub(super) fn size(block: usize) -> usize {
    match block {
        1 => 32,
        2 => 48,
        _ => 64,
    }
}

/// Cells along the longer side at most, for a small plane of blocks of `block` pixels: those that a motion is found by, and
/// those that show that there is none.
pub(super) fn cells(block: usize) -> (usize, usize) {
    if size(block) == 64 {
        LARGE_CELLS
    } else {
        CELLS
    }
}

/// Top-left corners (row, column) of the tiles to look for, one a cell, at most `most` cells along the longer side.
pub(super) fn places(
    fixed: &Small,
    moving: &Small,
    map: &Transform,
    most: usize,
) -> Vec<(usize, usize)> {
    let block = fixed.block;
    let texture = texture(fixed, moving, &map.scaled(1.0 / block as f64));
    let (rows, columns) = texture.dim();
    let sums = Integral::new(&texture);
    let side = (size(block) / block).max(1);
    // One block of margin for gradients and smoothing.
    let (high, wide) = (rows.saturating_sub(2), columns.saturating_sub(2));
    if high < side || wide < side {
        return Vec::new();
    }
    let cells = |extent: usize| (extent / side).clamp(1, (most * extent / high.max(wide)).max(1));
    let (down, across) = (cells(high), cells(wide));
    let mut found = Vec::new();
    for i in 0..down {
        for j in 0..across {
            let (top, left) = (1 + i * high / down, 1 + j * wide / across);
            let (bottom, right) = (1 + (i + 1) * high / down, 1 + (j + 1) * wide / across);
            let stride = (side / 4).max(1);
            let best = (top..=bottom - side)
                .step_by(stride)
                .flat_map(|r| (left..=right - side).step_by(stride).map(move |c| (r, c)))
                .map(|(r, c)| (sums.window(r, c, side), r, c))
                .max_by(|a, b| a.0.total_cmp(&b.0));
            if let Some((energy, r, c)) = best.filter(|b| b.0 > 0.0) {
                let _ = energy;
                found.push((r * block, c * block));
            }
        }
    }
    found
}

/// Gradient energy of the reference where both frames show tones that are neither clipped nor crushed, else 0.
fn texture(fixed: &Small, moving: &Small, map: &Transform) -> Array2<f32> {
    let (luma, other) = (&fixed.luma, &moving.luma);
    let (rows, columns) = luma.dim();
    let seen = |v: f32| v > CRUSHED && v < CLIPPED;
    let mut texture = Array2::zeros((rows, columns));
    let Some(all) = texture.as_slice_mut().filter(|all| !all.is_empty()) else {
        return texture;
    };
    let lines = all.par_chunks_mut(columns).enumerate();
    lines.for_each_init(
        || vec![0f32; columns],
        |line, (r, out)| {
            if r == 0 || r + 1 == rows {
                return;
            }
            look_up_row(other, map, r, line);
            for c in 1..columns - 1 {
                if seen(luma[[r, c]]) && seen(line[c]) {
                    let x = luma[[r, c + 1]] - luma[[r, c - 1]];
                    let y = luma[[r + 1, c]] - luma[[r - 1, c]];
                    out[c] = (x * x + y * y).min(0.02);
                }
            }
        },
    );
    texture
}

/// Summed-area table.
struct Integral {
    sums: Array2<f64>,
}

impl Integral {
    fn new(plane: &Array2<f32>) -> Self {
        let (rows, columns) = plane.dim();
        let mut sums = Array2::zeros((rows + 1, columns + 1));
        for r in 0..rows {
            let mut line = 0.0;
            for c in 0..columns {
                line += f64::from(plane[[r, c]]);
                sums[[r + 1, c + 1]] = sums[[r, c + 1]] + line;
            }
        }
        Integral { sums }
    }

    fn window(&self, row: usize, column: usize, side: usize) -> f64 {
        let (r, c) = (row + side, column + side);
        self.sums[[r, c]] + self.sums[[row, column]] - self.sums[[row, c]] - self.sums[[r, column]]
    }
}
