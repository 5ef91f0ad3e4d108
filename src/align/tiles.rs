//! Choice of tiles: a grid of cells over the frame, and in each cell the tile with most texture usable in both frames.
use super::refine::look_up_row;
use super::signal::{CLIPPED, CRUSHED, Small};
use ndarray::Array2;
use rayon::prelude::*;
use stopspan_core::raster::Transform;

/// Maximum number of cells along the longer side of a frame.
#[derive(Clone, Copy)]
pub(super) struct Density {
    /// For fitting a motion.
    pub motion: usize,
    /// For showing that there is none.
    pub stationary: usize,
}

/// For tiles of up to 48 pixels.
const SMALL_TILES: Density = Density {
    motion: 16,
    stationary: 8,
};
/// For tiles of 64 pixels, whose standard uncertainty is half that of the smallest.
const LARGE_TILES: Density = Density {
    motion: 12,
    stationary: 6,
};

/// Side of a tile in pixels of the frame, if `block` is the side of a block of the small plane (see [`Small`]).
pub(super) fn size(block: usize) -> usize {
    match block {
        1 => 32,
        2 => 48,
        _ => 64,
    }
}

/// Density of tiles for this side of a block, pixels of the frame.
pub(super) fn density(block: usize) -> Density {
    if size(block) == 64 {
        LARGE_TILES
    } else {
        SMALL_TILES
    }
}

/// Top-left corners (row, column), pixels of the reference frame, of the tiles to search: at most one per cell, from at most `most`
/// cells along the longer side. `map` (full-size pixels) is the expected motion of the frame.
pub(super) fn corners(
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
    // A margin of one block for gradients and smoothing.
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
            if let Some((_, r, c)) = best.filter(|b| b.0 > 0.0) {
                found.push((r * block, c * block));
            }
        }
    }
    found
}

/// Squared gradient of the reference plane, limited to 0.02, at pixels that are neither clipped nor crushed in either frame;
/// elsewhere 0. `map` is in pixels of the small planes.
fn texture(fixed: &Small, moving: &Small, map: &Transform) -> Array2<f32> {
    let (luma, other) = (&fixed.luma, &moving.luma);
    let (rows, columns) = luma.dim();
    let usable = |v: f32| v > CRUSHED && v < CLIPPED;
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
                if usable(luma[[r, c]]) && usable(line[c]) {
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

    /// Sum over the square of `side` pixels whose top-left corner is (row, column).
    fn window(&self, row: usize, column: usize, side: usize) -> f64 {
        let (r, c) = (row + side, column + side);
        self.sums[[r, c]] + self.sums[[row, column]] - self.sums[[row, c]] - self.sums[[r, column]]
    }
}
