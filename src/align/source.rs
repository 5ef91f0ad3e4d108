//! What a frame shows where a tile may lie.
use super::kernel::{Kernel, TAPS};
use super::patch::Patch;
use super::tile::{REACH, Tile};
use ndarray::Array2;
use std::ops::Range;
use stopspan_core::raster::{Pixels, Point, Transform, Work, dispatch_simd};

/// Pixels around a tile that gradient and smoothing need.
const MARGIN: usize = 2;
/// A map that puts no corner of a tile farther than this from where a shift and a turn put it, pixels, is one.
const ALIKE: f64 = 2e-3;

/// The part of a frame that a tile may lie in.
pub(super) struct Source {
    patch: Patch,
    top: isize,
    left: isize,
}

impl Source {
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
        // A map that stretches a tile out of all proportion is no camera movement.
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

    /// The frame as seen through the map at the tile's pixels and one around, the tile moved by (x, y).
    pub fn seen(
        &self,
        tile: &Tile,
        map: &Transform,
        (x, y): (f64, f64),
        kernel: &Kernel,
    ) -> Array2<f32> {
        let side = tile.size + 2;
        if let Some(seen) = self.seen_turned(tile, map, (x, y), kernel) {
            return seen;
        }
        let mut seen = Array2::from_elem((side, side), f32::NAN);
        for ((r, c), value) in seen.indexed_iter_mut() {
            let place = Point {
                x: (tile.left + c) as f64 - 0.5 + x,
                y: (tile.top + r) as f64 - 0.5 + y,
            };
            if let Some(Point { x, y }) = self.place(map, place) {
                let nearest = self.patch.usable.get((y as usize, x as usize));
                if nearest == Some(&true) {
                    *value = kernel.value(&self.patch.luma, x, y);
                }
            }
        }
        seen
    }

    fn place(&self, map: &Transform, at: Point) -> Option<Point> {
        let p = map.apply(at)?;
        Some(Point {
            x: p.x - self.left as f64,
            y: p.y - self.top as f64,
        })
    }

    /// The same where the map shifts the tile and turns it a little: along the rows of the frame, then down its columns (after
    /// Catmull and Smith 1980). `None` where it does more, or where the kernel reaches outside.
    fn seen_turned(
        &self,
        tile: &Tile,
        map: &Transform,
        (x, y): (f64, f64),
        kernel: &Kernel,
    ) -> Option<Array2<f32>> {
        let side = tile.size + 2;
        let (left, top) = (tile.left as f64 - 0.5 + x, tile.top as f64 - 0.5 + y);
        let place = |x: f64, y: f64| {
            let at = Point {
                x: left + x,
                y: top + y,
            };
            self.place(map, at)
        };
        let turn = Turn::of(place, side as f64 - 1.0)?;
        let passes = Passes::new(&turn, side, kernel, self.patch.luma.dim())?;
        let mut seen = Array2::zeros((side, side));
        dispatch_simd(TwoPasses {
            passes: &passes,
            samples: self.patch.luma.as_slice()?,
            columns: self.patch.luma.ncols(),
            out: seen.as_slice_mut()?,
        });
        if !self.patch.all_usable {
            for ((r, c), value) in seen.indexed_iter_mut() {
                let p = turn.place(c as f64, r as f64);
                if self.patch.usable.get((p.y as usize, p.x as usize)) != Some(&true) {
                    *value = f32::NAN;
                }
            }
        }
        Some(seen)
    }
}

/// A shift and a small turn of a square: columns and rows from its first corner -> place.
struct Turn {
    /// Place of the corner.
    corner: Point,
    /// Columns by which a place moves a row of the frame, and rows by which it moves a column of the square.
    across: f64,
    down: f64,
}

impl Turn {
    /// The turn that a map of a square of this side is, if it is one.
    fn of(map: impl Fn(f64, f64) -> Option<Point>, side: f64) -> Option<Self> {
        let middle = side / 2.0;
        let centre = map(middle, middle)?;
        let (above, below) = (map(middle, 0.0)?, map(middle, side)?);
        let (before, after) = (map(0.0, middle)?, map(side, middle)?);
        let (across, down) = ((below.x - above.x) / side, (after.y - before.y) / side);
        let rise = -middle - middle * down;
        let turn = Turn {
            corner: Point {
                x: centre.x - middle + across * rise,
                y: centre.y + rise,
            },
            across,
            down,
        };
        let near = |(x, y): (f64, f64)| {
            let (p, q) = (map(x, y)?, turn.place(x, y));
            ((p.x - q.x).hypot(p.y - q.y) <= ALIKE).then_some(())
        };
        let corners = [(0.0, 0.0), (side, 0.0), (0.0, side), (side, side)];
        corners.into_iter().try_for_each(near).map(|()| turn)
    }

    fn place(&self, column: f64, row: f64) -> Point {
        let rows = row + self.down * column;
        Point {
            x: self.corner.x + column + self.across * rows,
            y: self.corner.y + rows,
        }
    }
}

/// The weights of both passes.
struct Passes<'a> {
    side: usize,
    /// Rows of the frame that are needed; for each the first sample and the weights of all its places.
    rows: Range<usize>,
    across: Vec<(usize, &'a [f32; TAPS])>,
    /// Columns of the square that begin at the same row of those, that row, and the weights by tap and column.
    runs: Vec<(Range<usize>, usize)>,
    down: [Vec<f32>; TAPS],
}

impl<'a> Passes<'a> {
    fn new(
        turn: &Turn,
        side: usize,
        kernel: &'a Kernel,
        (rows, columns): (usize, usize),
    ) -> Option<Self> {
        let taps: Vec<(isize, &[f32; TAPS])> = (0..side)
            .map(|c| kernel.taps(turn.place(c as f64, 0.0).y))
            .collect();
        let first = taps.iter().map(|t| t.0).min()?;
        let last = taps.iter().map(|t| t.0).max()? + (side + TAPS) as isize - 1;
        let start = usize::try_from(first).ok()?;
        let needed = start..usize::try_from(last).ok().filter(|&end| end <= rows)?;
        let of_row = |row: usize| {
            let below = row as f64 + 0.5 - turn.corner.y;
            let (first, weights) = kernel.taps(turn.corner.x + turn.across * below);
            let first = usize::try_from(first).ok()?;
            (first + side + TAPS - 1 <= columns).then_some((first, weights))
        };
        let begins = |c: usize| (taps[c].0 - first) as usize;
        let mut runs: Vec<(Range<usize>, usize)> = Vec::new();
        for c in 0..side {
            match runs.last_mut().filter(|(_, row)| *row == begins(c)) {
                Some((run, _)) => run.end = c + 1,
                None => runs.push((c..c + 1, begins(c))),
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

/// The two passes over samples of a frame with so many columns.
struct TwoPasses<'a> {
    passes: &'a Passes<'a>,
    samples: &'a [f32],
    columns: usize,
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
            along(from, weights, line);
        }
        for (r, out) in self.out.chunks_exact_mut(side).enumerate() {
            for (run, begins) in &passes.runs {
                let out = &mut out[run.clone()];
                for (k, weights) in passes.down.iter().enumerate() {
                    let line = &lines[(r + begins + k) * side..][run.clone()];
                    add(&weights[run.clone()], line, out);
                }
            }
        }
    }
}

#[inline(always)]
fn along(from: &[f32], weights: &[f32; TAPS], out: &mut [f32]) {
    for (out, from) in out.iter_mut().zip(from.windows(TAPS)) {
        *out = from.iter().zip(weights).map(|(v, w)| v * w).sum();
    }
}

#[inline(always)]
fn add(weights: &[f32], line: &[f32], out: &mut [f32]) {
    for (out, (w, v)) in out.iter_mut().zip(weights.iter().zip(line)) {
        *out += w * v;
    }
}
