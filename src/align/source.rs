//! The part of a frame in which a tile is searched, resampled under trial motions.
use super::kernel::{Kernel, TAPS};
use super::patch::Patch;
use super::tile::{REACH, Tile};
use ndarray::Array2;
use std::ops::Range;
use stopspan_core::raster::{Pixels, Point, Transform, Work, dispatch_simd};

/// Margin around a tile for gradients and smoothing, pixels.
const MARGIN: usize = 2;
/// Largest corner error, in pixels, at which a transform is treated as shift plus rotation.
const CORNER_TOLERANCE: f64 = 2e-3;

/// The part of a frame in which a tile is searched.
pub(super) struct Source {
    patch: Patch,
    /// First row of the patch in the frame; may be negative.
    top: isize,
    /// First column of the patch in the frame; may be negative.
    left: isize,
}

impl Source {
    /// Cuts the part of `frame` within [`REACH`] of the tile mapped by `map`, with the margins of interpolation, gradients and
    /// smoothing. `None` if `map` is undefined there or enlarges the tile more than about fourfold.
    pub fn around(tile: &Tile, frame: &Pixels, map: &Transform) -> Option<Self> {
        let (top, left, size) = (tile.top as f64, tile.left as f64, tile.size as f64);
        let mut low = (f64::INFINITY, f64::INFINITY);
        let mut high = (f64::NEG_INFINITY, f64::NEG_INFINITY);
        for (x, y) in [
            (left, top),
            (left + size, top),
            (left, top + size),
            (left + size, top + size),
        ] {
            let p = map.apply(Point { x, y })?;
            low = (low.0.min(p.x), low.1.min(p.y));
            high = (high.0.max(p.x), high.1.max(p.y));
        }
        let around = REACH + MARGIN as f64 + TAPS as f64 / 2.0;
        let (width, height) = (high.0 - low.0 + 2.0 * around, high.1 - low.1 + 2.0 * around);
        // No camera motion enlarges a tile this much.
        if !(width < 4.0 * size + 40.0 && height < 4.0 * size + 40.0) {
            return None;
        }
        let (y, x) = (
            (low.1 - around).floor() as isize,
            (low.0 - around).floor() as isize,
        );
        Some(Source {
            patch: Patch::cut(
                frame,
                y,
                x,
                (height.ceil() as usize + 1, width.ceil() as usize + 1),
            ),
            top: y,
            left: x,
        })
    }

    /// Samples the frame at the mapped pixel centres of the tile and a margin of one pixel, the tile displaced by (x, y) pixels
    /// before mapping. Luma in levels, side `tile.size + 2`; NaN where the frame has no usable sample.
    pub fn resample(
        &self,
        tile: &Tile,
        map: &Transform,
        (x, y): (f64, f64),
        kernel: &Kernel,
    ) -> Array2<f32> {
        let side = tile.size + 2;
        if let Some(samples) = self.resample_rotated(tile, map, (x, y), kernel) {
            return samples;
        }
        let mut samples = Array2::from_elem((side, side), f32::NAN);
        for ((r, c), value) in samples.indexed_iter_mut() {
            let centre = Point {
                x: (tile.left + c) as f64 - 0.5 + x,
                y: (tile.top + r) as f64 - 0.5 + y,
            };
            if let Some(Point { x, y }) = self.map_point(map, centre) {
                let nearest = self.patch.usable.get((y as usize, x as usize));
                if nearest == Some(&true) {
                    *value = kernel.value(&self.patch.luma, x, y);
                }
            }
        }
        samples
    }

    /// Image of a point of the reference frame in pixels of the patch.
    fn map_point(&self, map: &Transform, at: Point) -> Option<Point> {
        let p = map.apply(at)?;
        Some(Point {
            x: p.x - self.left as f64,
            y: p.y - self.top as f64,
        })
    }

    /// [`Source::resample`] for a map that is a shift plus a small rotation, in two passes: along the rows of the frame, then along
    /// its columns (after Catmull and Smith 1980). `None` for other maps, or if the kernel extends beyond the patch.
    fn resample_rotated(
        &self,
        tile: &Tile,
        map: &Transform,
        (x, y): (f64, f64),
        kernel: &Kernel,
    ) -> Option<Array2<f32>> {
        let side = tile.size + 2;
        let (left, top) = (tile.left as f64 - 0.5 + x, tile.top as f64 - 0.5 + y);
        let mapped = |x: f64, y: f64| {
            let at = Point {
                x: left + x,
                y: top + y,
            };
            self.map_point(map, at)
        };
        let rotation = SmallRotation::from_map(mapped, side as f64 - 1.0)?;
        let passes = Passes::new(&rotation, side, kernel, self.patch.luma.dim())?;
        let mut samples = Array2::zeros((side, side));
        dispatch_simd(TwoPasses {
            passes: &passes,
            samples: self.patch.luma.as_slice()?,
            columns: self.patch.luma.ncols(),
            out: samples.as_slice_mut()?,
        });
        if !self.patch.all_usable {
            for ((r, c), value) in samples.indexed_iter_mut() {
                let p = rotation.map_point(c as f64, r as f64);
                if self.patch.usable.get((p.y as usize, p.x as usize)) != Some(&true) {
                    *value = f32::NAN;
                }
            }
        }
        Some(samples)
    }
}

/// Shift plus small rotation of a square, as two shears: (column, row) from the square's first corner to a position in the patch.
struct SmallRotation {
    /// Position of the first corner, pixels of the patch.
    corner: Point,
    /// Horizontal shear: columns per row of the patch.
    across: f64,
    /// Vertical shear: rows per column of the square.
    down: f64,
}

impl SmallRotation {
    /// Returns the shift-and-rotation equal to `map` over a square of `side` pixels, or `None` if it is not one within
    /// [`CORNER_TOLERANCE`].
    fn from_map(map: impl Fn(f64, f64) -> Option<Point>, side: f64) -> Option<Self> {
        let middle = side / 2.0;
        let centre = map(middle, middle)?;
        let (above, below) = (map(middle, 0.0)?, map(middle, side)?);
        let (before, after) = (map(0.0, middle)?, map(side, middle)?);
        let (across, down) = ((below.x - above.x) / side, (after.y - before.y) / side);
        let rise = -middle - middle * down;
        let rotation = SmallRotation {
            corner: Point {
                x: centre.x - middle + across * rise,
                y: centre.y + rise,
            },
            across,
            down,
        };
        let near = |(x, y): (f64, f64)| {
            let (p, q) = (map(x, y)?, rotation.map_point(x, y));
            ((p.x - q.x).hypot(p.y - q.y) <= CORNER_TOLERANCE).then_some(())
        };
        let corners = [(0.0, 0.0), (side, 0.0), (0.0, side), (side, side)];
        corners.into_iter().try_for_each(near).map(|()| rotation)
    }

    fn map_point(&self, column: f64, row: f64) -> Point {
        let rows = row + self.down * column;
        Point {
            x: self.corner.x + column + self.across * rows,
            y: self.corner.y + rows,
        }
    }
}

/// Positions and weights of both passes of a two-pass rotation.
struct Passes<'a> {
    /// Side of the square, pixels.
    side: usize,
    /// Rows of the patch that the first pass resamples.
    rows: Range<usize>,
    /// First sample and weights of each of `rows`; within a row the phase is constant.
    across: Vec<(usize, &'a [f32; TAPS])>,
    /// Runs of columns of the square with the same first row in the second pass, and that row, counted from `rows.start`.
    runs: Vec<(Range<usize>, usize)>,
    /// Weights of the second pass, by tap and column of the square.
    down: [Vec<f32>; TAPS],
}

impl<'a> Passes<'a> {
    /// `None` if a pass needs samples outside a patch of `rows` x `columns` samples.
    fn new(
        rotation: &SmallRotation,
        side: usize,
        kernel: &'a Kernel,
        (rows, columns): (usize, usize),
    ) -> Option<Self> {
        let taps: Vec<(isize, &[f32; TAPS])> = (0..side)
            .map(|c| kernel.taps(rotation.map_point(c as f64, 0.0).y))
            .collect();
        let first = taps.iter().map(|t| t.0).min()?;
        let last = taps.iter().map(|t| t.0).max()? + (side + TAPS) as isize - 1;
        let start = usize::try_from(first).ok()?;
        let needed = start..usize::try_from(last).ok().filter(|&end| end <= rows)?;
        let of_row = |row: usize| {
            let below = row as f64 + 0.5 - rotation.corner.y;
            let (first, weights) = kernel.taps(rotation.corner.x + rotation.across * below);
            let first = usize::try_from(first).ok()?;
            (first + side + TAPS - 1 <= columns).then_some((first, weights))
        };
        let first_row = |c: usize| (taps[c].0 - first) as usize;
        let mut runs: Vec<(Range<usize>, usize)> = Vec::new();
        for c in 0..side {
            match runs.last_mut().filter(|(_, row)| *row == first_row(c)) {
                Some((run, _)) => run.end = c + 1,
                None => runs.push((c..c + 1, first_row(c))),
            }
        }
        Some(Passes {
            side,
            across: needed.clone().map(of_row).collect::<Option<_>>()?,
            rows: needed,
            runs,
            down: std::array::from_fn(|k| taps.iter().map(|(_, weights)| weights[k]).collect()),
        })
    }
}

/// Both passes over the samples of a patch.
struct TwoPasses<'a> {
    passes: &'a Passes<'a>,
    samples: &'a [f32],
    /// Columns of the patch.
    columns: usize,
    /// Samples of the square, row by row, initially zero.
    out: &'a mut [f32],
}

impl Work for TwoPasses<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let passes = self.passes;
        let side = passes.side;
        let mut lines = vec![0f32; passes.rows.len() * side];
        let of_rows = lines.chunks_exact_mut(side).zip(&passes.across);
        for ((line, (first, weights)), row) in of_rows.zip(passes.rows.clone()) {
            let from = &self.samples[row * self.columns + first..][..side + TAPS - 1];
            convolve(from, weights, line);
        }
        for (r, out) in self.out.chunks_exact_mut(side).enumerate() {
            for (run, first_row) in &passes.runs {
                let out = &mut out[run.clone()];
                for (k, weights) in passes.down.iter().enumerate() {
                    let line = &lines[(r + first_row + k) * side..][run.clone()];
                    add_weighted(&weights[run.clone()], line, out);
                }
            }
        }
    }
}

/// Weighted sums of every [`TAPS`] neighbouring samples.
#[inline(always)]
fn convolve(from: &[f32], weights: &[f32; TAPS], out: &mut [f32]) {
    for (out, from) in out.iter_mut().zip(from.windows(TAPS)) {
        *out = from.iter().zip(weights).map(|(v, w)| v * w).sum();
    }
}

/// Adds the samples of a line, each times its weight.
#[inline(always)]
fn add_weighted(weights: &[f32], line: &[f32], out: &mut [f32]) {
    for (out, (w, v)) in out.iter_mut().zip(weights.iter().zip(line)) {
        *out += w * v;
    }
}
