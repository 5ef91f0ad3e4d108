//! Rows of a frame that lies elsewhere, interpolated in linear light by cubic convolution.
//!
//! Tile by tile: what the tile reaches into of the frame is turned into light once (`window`), and summed in runs along which
//! the pixels that have weight advance one by one (`places`).
mod places;
#[cfg(test)]
mod tests;
mod window;

use super::sampling::{CLIPPED, UNCOVERED};
use ndarray::Array3;
use places::{COLUMNS, LANES, Places, TAPS, lanes};
use std::ops::Range;
use stopspan_core::raster::{Transform, Work, dispatch_simd};
use window::Window;

/// Rows of the reference that are read at a time, at most.
pub(super) const ROWS: usize = 16;

/// A row of the reference as a frame sees it.
pub(super) struct Line {
    /// Radiance, by channel.
    pub channels: Vec<Vec<f32>>,
    /// What interpolation leaves of the variance of independent noise, by column.
    pub energy: Vec<f32>,
}

/// Rows of the reference one below the other, and what it takes to read them.
pub(super) struct Strip {
    pub lines: Vec<Line>,
    window: Window,
    places: Places,
}

impl Strip {
    pub(super) fn new(columns: usize, channels: usize) -> Self {
        let line = || Line {
            channels: vec![vec![0.0; columns]; channels],
            energy: vec![1.0; columns],
        };
        Strip {
            lines: (0..ROWS).map(|_| line()).collect(),
            window: Window::default(),
            places: Places::default(),
        }
    }

    /// Reads at most [`ROWS`] rows of the reference through its map to the frame. `light` gives what makes radiance of a
    /// channel's samples, [`CLIPPED`] of those that are clipped. A place is clipped where a sample with weight is, whatever the sign of its
    /// weight. At the border the outermost pixels are repeated. A row is the same whichever rows it is read with.
    pub(super) fn read<T: Copy, L: Fn(T) -> f32>(
        &mut self,
        samples: &Array3<T>,
        (rows, transform): (Range<usize>, &Transform),
        light: impl Fn(usize) -> L,
    ) {
        let columns = self.lines[0].energy.len();
        for first in (0..columns).step_by(COLUMNS) {
            let tile = first..columns.min(first + COLUMNS);
            self.window.reach(samples.dim(), (&rows, &tile), transform);
            self.window.fill(samples, &light);
            for (row, line) in rows.clone().zip(&mut self.lines) {
                dispatch_simd(RowOfTile {
                    window: &self.window,
                    places: &mut self.places,
                    transform,
                    row,
                    tile: tile.clone(),
                    line,
                });
            }
        }
    }
}

/// A row of a tile to be read from the window.
struct RowOfTile<'a> {
    window: &'a Window,
    places: &'a mut Places,
    transform: &'a Transform,
    row: usize,
    tile: Range<usize>,
    line: &'a mut Line,
}

impl Work for RowOfTile<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let (places, window) = (self.places, self.window);
        let start = (self.row, self.tile.start);
        places.find(self.transform, start, window.frame);
        places.weigh(&mut self.line.energy[self.tile.clone()]);
        let on_centre = places.on_centre();
        let mut from = 0;
        while from < self.tile.len() {
            let run = places.run(from, self.tile.len());
            let planes = window.planes().zip(&mut self.line.channels);
            for (plane, channel) in planes {
                let out = &mut channel[self.tile.start..][run.clone()];
                match places.at(from) {
                    None => out.fill(UNCOVERED),
                    Some(at) if on_centre => {
                        sum::<true>(places, (plane, window, at), from, out);
                    }
                    Some(at) => sum::<false>(places, (plane, window, at), from, out),
                }
            }
            from = run.end;
        }
    }
}

/// Sums a run from the first of its places, where `at` is the pixel of the frame at whose centre or beyond it lies. `CENTRES`
/// says whether any may lie at a centre.
#[inline(always)]
fn sum<const CENTRES: bool>(
    places: &Places,
    (plane, window, at): (&[f32], &Window, (isize, isize)),
    from: usize,
    out: &mut [f32],
) {
    let start = window.index(at);
    for (step, out) in out.chunks_mut(LANES).enumerate() {
        let step = step * LANES;
        let samples = &plane[start + step..];
        let rows = std::array::from_fn(|i| lanes(samples, i * window.width));
        let sums = sum_lanes::<CENTRES>(places, from + step, rows);
        match out.first_chunk_mut::<LANES>() {
            Some(out) => *out = sums,
            None => out.iter_mut().zip(sums).for_each(|(o, s)| *o = s),
        }
    }
}

/// Sums some places next to each other from the rows of samples around them.
#[inline(always)]
fn sum_lanes<const CENTRES: bool>(
    places: &Places,
    from: usize,
    rows: [&[f32; LANES + TAPS - 1]; TAPS],
) -> [f32; LANES] {
    let across = places.across.each_ref().map(|w| lanes::<LANES>(w, from));
    let down = places.down.each_ref().map(|w| lanes::<LANES>(w, from));
    let mut sums = [0f32; LANES];
    for (l, out) in sums.iter_mut().enumerate() {
        let weights = [across[0][l], across[1][l], across[2][l], across[3][l]];
        let a = weigh::<CENTRES>(
            weights,
            [rows[0][l], rows[0][l + 1], rows[0][l + 2], rows[0][l + 3]],
        );
        let b = weigh::<CENTRES>(
            weights,
            [rows[1][l], rows[1][l + 1], rows[1][l + 2], rows[1][l + 3]],
        );
        let c = weigh::<CENTRES>(
            weights,
            [rows[2][l], rows[2][l + 1], rows[2][l + 2], rows[2][l + 3]],
        );
        let d = weigh::<CENTRES>(
            weights,
            [rows[3][l], rows[3][l + 1], rows[3][l + 2], rows[3][l + 3]],
        );
        let sum = weigh::<CENTRES>(
            [down[0][l], down[1][l], down[2][l], down[3][l]],
            [a, b, c, d],
        );
        // A clipped sample, infinite, leaves nothing finite behind.
        *out = if sum.is_finite() { sum } else { CLIPPED };
    }
    sums
}

/// The weighted sum along one axis. At a pixel's centre, where the one before has no weight, that pixel alone, so that the others
/// need not be finite.
#[inline(always)]
fn weigh<const CENTRES: bool>(weights: [f32; TAPS], values: [f32; TAPS]) -> f32 {
    let [a, b, c, d] = weights;
    let sum = a * values[0] + b * values[1] + c * values[2] + d * values[3];
    if !CENTRES {
        return sum;
    }
    // Chosen by bits, so that both are made and the loop around has no branch.
    let alone = u32::from(a == 0.0).wrapping_neg();
    f32::from_bits(values[1].to_bits() & alone | sum.to_bits() & !alone)
}
