//! Resamples rows of a frame in the geometry of the reference: cubic convolution of radiance.
//!
//! The work goes tile by tile. `window` converts the part of the frame that a tile needs to radiance once; `positions` finds
//! where pixels lie in the frame, their weights, and runs of pixels whose source pixels advance one by one.
#[cfg(test)]
mod bright_edges;
mod positions;
#[cfg(test)]
mod tests;
mod window;

use super::sampling::{CLIPPED, UNCOVERED, at_least};
use ndarray::Array3;
use positions::{COLUMNS, LANES, Positions, TAPS, lanes};
use std::ops::Range;
use stopspan_core::raster::{Transform, Work, dispatch_simd};
use window::Window;
pub(super) use window::channel_of;

/// Largest number of rows of the reference read together.
pub(super) const ROWS: usize = 16;

/// A row of one frame in the geometry of the reference.
pub(super) struct ResampledRow {
    /// Radiance, by channel and column.
    pub channels: Vec<Vec<f32>>,
    /// By column: factor by which interpolation changes the variance of independent noise.
    pub noise_gain: Vec<f32>,
}

/// Resamples up to [`ROWS`] successive rows of one frame.
pub(super) struct Resampler {
    pub lines: Vec<ResampledRow>,
    window: Window,
    positions: Positions,
}

impl Resampler {
    /// A resampler for rows of this size.
    pub(super) fn new(columns: usize, channels: usize) -> Self {
        let line = || ResampledRow {
            channels: vec![vec![0.0; columns]; channels],
            noise_gain: vec![1.0; columns],
        };
        Resampler {
            lines: (0..ROWS).map(|_| line()).collect(),
            window: Window::default(),
            positions: Positions::default(),
        }
    }

    /// Reads at most [`ROWS`] rows of the reference, which `transform` maps to the frame, into `self.lines`.
    ///
    /// `light(channel)` converts a sample to radiance, and clipped ones to [`CLIPPED`], whose radiance is at least
    /// `bounds[channel]`. Near clipped samples, pixels are interpolated as [`beside_clipped`] says. At the border the outermost
    /// pixels are repeated. The result of a row does not depend on the other rows.
    pub(super) fn read<T: Copy, L: Fn(T) -> f32>(
        &mut self,
        samples: &Array3<T>,
        rows: &Range<usize>,
        transform: &Transform,
        (bounds, light): (&[f32], impl Fn(usize) -> L),
    ) {
        let columns = self.lines[0].noise_gain.len();
        for first in (0..columns).step_by(COLUMNS) {
            let tile = first..columns.min(first + COLUMNS);
            let (height, width, _) = samples.dim();
            self.window.cover((height, width), rows, &tile, transform);
            self.window.fill(samples, &light);
            for (row, line) in rows.clone().zip(&mut self.lines) {
                dispatch_simd(RowOfTile {
                    window: &self.window,
                    bounds,
                    positions: &mut self.positions,
                    transform,
                    row,
                    tile: tile.clone(),
                    line,
                });
            }
        }
    }
}

/// Reads one row of a tile from the window.
struct RowOfTile<'a> {
    window: &'a Window,
    /// Radiance at the clip level, by channel.
    bounds: &'a [f32],
    positions: &'a mut Positions,
    transform: &'a Transform,
    row: usize,
    tile: Range<usize>,
    line: &'a mut ResampledRow,
}

impl Work for RowOfTile<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let (positions, window) = (self.positions, self.window);
        positions.find(self.transform, self.row, self.tile.start, window.frame);
        positions.weigh(&mut self.line.noise_gain[self.tile.clone()]);
        let on_centre = positions.on_centre();
        let mut from = 0;
        while from < self.tile.len() {
            let run = positions.run(from, self.tile.len());
            let planes = window.planes().zip(&mut self.line.channels);
            for ((plane, channel), &bound) in planes.zip(self.bounds) {
                let out = &mut channel[self.tile.start..][run.clone()];
                match positions.pixel(from) {
                    None => out.fill(UNCOVERED),
                    Some(at) => {
                        let source = Source {
                            samples: &plane[window.index(at)..],
                            width: window.width,
                            bound,
                        };
                        if on_centre {
                            sum::<true>(positions, from, source, out);
                        } else {
                            sum::<false>(positions, from, source, out);
                        }
                    }
                }
            }
            from = run.end;
        }
    }
}

/// Samples of the window from the first that has weight in a run, the number of samples of one of its rows, and the radiance that
/// clipped ones have at least.
struct Source<'a> {
    samples: &'a [f32],
    width: usize,
    bound: f32,
}

/// Resamples one run of columns, whose first has index `from` in the tile. `CENTRES` is true if any position may be a pixel
/// centre.
#[inline(always)]
fn sum<const CENTRES: bool>(positions: &Positions, from: usize, source: Source, out: &mut [f32]) {
    for (step, out) in out.chunks_mut(LANES).enumerate() {
        let step = step * LANES;
        let samples = &source.samples[step..];
        let rows = std::array::from_fn(|i| lanes(samples, i * source.width));
        let mut sums = sum_lanes::<CENTRES>(positions, from + step, rows);
        if sums.iter().filter(|sum| !sum.is_finite()).count() > 0 {
            let lanes = sums.iter_mut().take(out.len()).enumerate();
            for (l, sum) in lanes.filter(|(_, sum)| !sum.is_finite()) {
                let [x, y] = positions.beyond(from + step + l);
                let four = [rows[1], rows[2]].map(|row| [row[l + 1], row[l + 2]]);
                *sum = beside_clipped(four, [x, y], source.bound);
            }
        }
        match out.first_chunk_mut::<LANES>() {
            Some(out) => *out = sums,
            None => out.iter_mut().zip(sums).for_each(|(o, s)| *o = s),
        }
    }
}

/// Resamples [`LANES`] adjacent columns from the rows of samples around them.
#[inline(always)]
fn sum_lanes<const CENTRES: bool>(
    positions: &Positions,
    from: usize,
    rows: [&[f32; LANES + TAPS - 1]; TAPS],
) -> [f32; LANES] {
    let across = positions.across.each_ref().map(|w| lanes::<LANES>(w, from));
    let down = positions.down.each_ref().map(|w| lanes::<LANES>(w, from));
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
        // A clipped sample is infinite, so no sum with it is finite.
        *out = sum;
    }
    sums
}

/// The pixel at `beyond` (columns and rows, 0..1) from the first of `four` samples, two rows of two, where cubic convolution meets a
/// clipped one: interpolated linearly if none of the four with a weight is clipped. Else it is clipped if at least half of the weight
/// is, and otherwise has a bound alone. So the clipped area is as large as in the frame itself.
#[cold]
fn beside_clipped(four: [[f32; 2]; 2], beyond: [f32; 2], bound: f32) -> f32 {
    let (mut sum, mut clipped) = (0.0, 0.0);
    let along = |beyond: f32| [1.0 - beyond, beyond];
    for (row, down) in four.iter().zip(along(beyond[1])) {
        for (&sample, across) in row.iter().zip(along(beyond[0])) {
            let weight = down * across;
            if weight > 0.0 && sample == CLIPPED {
                (sum, clipped) = (sum + weight * bound, clipped + weight);
            } else if weight > 0.0 {
                sum += weight * sample;
            }
        }
    }
    if clipped >= 0.5 {
        return CLIPPED;
    }
    if clipped > 0.0 { at_least(sum) } else { sum }
}

/// Weighted sum along one axis. At a pixel centre (the first weight is 0) the value of that pixel alone, since the others
/// may be infinite.
#[inline(always)]
fn weigh<const CENTRES: bool>(weights: [f32; TAPS], values: [f32; TAPS]) -> f32 {
    let [a, b, c, d] = weights;
    let sum = a * values[0] + b * values[1] + c * values[2] + d * values[3];
    if !CENTRES {
        return sum;
    }
    // Selected by bit masks: both values are computed, and the surrounding loop has no branch.
    let alone = u32::from(a == 0.0).wrapping_neg();
    f32::from_bits(values[1].to_bits() & alone | sum.to_bits() & !alone)
}
