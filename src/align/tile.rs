//! One tile: where a patch of the reference lies in a frame, to a small fraction of a pixel.
use super::intensity::IntensityMap;
use super::kernel::{Kernel, TAPS};
use super::patch::Patch;
use crate::raster::{Pixels, Point, Transform};
use nalgebra::{Matrix4, Vector4};
use ndarray::Array2;

/// Pixels around a tile that gradient and smoothing need.
const MARGIN: usize = 2;
/// A tile is looked for within this many pixels of where it is expected.
pub(super) const REACH: f64 = 3.0;
/// Gauss-Newton steps at most.
const STEPS: usize = 8;
/// Share of a tile's pixels that must be usable.
const LEAST_SEEN: f64 = 0.05;
/// A step below this many pixels ends the search.
const SMALL_STEP: f64 = 5e-4;
/// A map that moves no corner of a tile by more than this many pixels against its centre moves the tile alike.
const ALIKE: f64 = 2e-3;
/// What smoothing by [1 2 1]/4 both ways leaves of white noise's variance. Slow texture sees all of the noise, so the
/// uncertainty is stated for that.
const SMOOTHED_NOISE: f64 = 0.140_625;

/// Where a tile was found.
#[derive(Debug, Clone, Copy)]
pub(super) struct Match {
    /// Centre of the tile in the reference.
    pub at: Point,
    /// The same place in the frame.
    pub to: Point,
    /// Covariance of `to` from noise, pixels squared: xx, xy, yy; the noise times the inverse of the summed squared
    /// gradients, as in the bound of Robinson and Milanfar (2004).
    pub covariance: [f64; 3],
    /// Share of the frame's variance in the tile that the reference explains, at most 1.
    pub explained: f64,
}

/// A tile looked for.
#[derive(Debug, Clone, Copy)]
pub(super) enum Looked {
    /// Too little of it is neither clipped, crushed nor outside.
    Unseen,
    /// It could be seen but was not there.
    Lost,
    /// It was found.
    Found(Match),
}

/// The reference's side of a tile, ready to be looked for in a frame.
pub(super) struct Tile {
    top: usize,
    left: usize,
    size: usize,
    /// Smoothed luma with one pixel of margin, mapped to the frame's levels.
    luma: Array2<f32>,
    /// Weight a pixel: inverse of the noise variance of the difference, both frames' noise taken equal in levels; NaN
    /// where the pixel cannot be used.
    weight: Array2<f32>,
}

impl Tile {
    /// Cuts the tile of `size` pixels a side at (top, left), which must lie inside the frame.
    pub fn cut(
        reference: &Pixels,
        (top, left): (usize, usize),
        size: usize,
        levels: &IntensityMap,
    ) -> Self {
        let side = size + 2;
        let Patch { mut luma, usable } =
            Patch::cut(reference, top as isize - 1, left as isize - 1, (side, side));
        let mut weight = Array2::zeros((side, side));
        for ((v, w), usable) in luma.iter_mut().zip(&mut weight).zip(usable) {
            let (level, slope) = levels.at(*v);
            *v = level;
            *w = if usable {
                1.0 / (1.0 + slope * slope)
            } else {
                f32::NAN
            };
        }
        Tile {
            top,
            left,
            size,
            luma,
            weight,
        }
    }

    fn centre(&self) -> Point {
        Point {
            x: self.left as f64 + self.size as f64 / 2.0,
            y: self.top as f64 + self.size as f64 / 2.0,
        }
    }

    /// Looks for the tile in `frame` within [`REACH`] of where `map` puts it.
    pub fn find(&self, frame: &Pixels, map: &Transform, kernel: &Kernel) -> Looked {
        let Some(source) = Source::around(self, frame, map) else {
            return Looked::Unseen;
        };
        let (mut x, mut y, mut gain, mut offset) = (0.0, 0.0, 1.0, 0.0);
        for step in 0..STEPS {
            let seen = source.seen(self, map, (x, y), kernel);
            let sums = Sums::new(self, &seen, gain, offset);
            if sums.count < LEAST_SEEN * (self.size * self.size) as f64 {
                return Looked::Unseen;
            }
            let (Some(inverse), Some(held)) =
                (sums.matrix.try_inverse(), sums.held().try_inverse())
            else {
                return Looked::Unseen;
            };
            let by = held * sums.vector;
            let length = by[0].hypot(by[1]);
            if !length.is_finite() {
                return Looked::Unseen;
            }
            let short = (1.0 / length).min(1.0);
            x += by[0] * short;
            y += by[1] * short;
            gain = (gain + by[2]).clamp(0.5, 2.0);
            offset += by[3];
            if x.hypot(y) > REACH {
                return Looked::Lost;
            }
            if length < SMALL_STEP || (step + 1 == STEPS && length < 0.02) {
                let found = self.found(map, (x, y), &sums, &inverse);
                return found.map_or(Looked::Lost, Looked::Found);
            }
        }
        Looked::Lost
    }

    fn found(
        &self,
        map: &Transform,
        (x, y): (f64, f64),
        sums: &Sums,
        inverse: &Matrix4<f64>,
    ) -> Option<Match> {
        let noise = sums.noise();
        let at = self.centre();
        Some(Match {
            at,
            to: map.apply(Point {
                x: at.x + x,
                y: at.y + y,
            })?,
            covariance: [inverse[(0, 0)], inverse[(0, 1)], inverse[(1, 1)]].map(|v| v * noise),
            explained: 1.0 - sums.squares / sums.variance.max(1e-12),
        })
    }
}

/// The part of a frame that a tile may lie in.
struct Source {
    patch: Patch,
    top: isize,
    left: isize,
}

impl Source {
    fn around(tile: &Tile, frame: &Pixels, map: &Transform) -> Option<Self> {
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
    fn seen(
        &self,
        tile: &Tile,
        map: &Transform,
        (x, y): (f64, f64),
        kernel: &Kernel,
    ) -> Array2<f32> {
        let side = tile.size + 2;
        if let Some(seen) = self.seen_shifted(tile, map, (x, y), kernel) {
            return seen;
        }
        let mut seen = Array2::from_elem((side, side), f32::NAN);
        for ((r, c), value) in seen.indexed_iter_mut() {
            let place = Point {
                x: (tile.left + c) as f64 - 0.5 + x,
                y: (tile.top + r) as f64 - 0.5 + y,
            };
            if let Some(p) = map.apply(place) {
                let (x, y) = (p.x - self.left as f64, p.y - self.top as f64);
                let nearest = self.patch.usable.get((y as usize, x as usize));
                if nearest == Some(&true) {
                    *value = kernel.value(&self.patch.luma, x, y);
                }
            }
        }
        seen
    }

    /// The same where the map moves the whole tile alike, one axis after the other; `None` where it does not, or where
    /// the kernel reaches outside.
    fn seen_shifted(
        &self,
        tile: &Tile,
        map: &Transform,
        (x, y): (f64, f64),
        kernel: &Kernel,
    ) -> Option<Array2<f32>> {
        let side = tile.size + 2;
        let (left, top) = (tile.left as f64 - 0.5 + x, tile.top as f64 - 0.5 + y);
        let far = side as f64 - 1.0;
        let centre = Point {
            x: left + far / 2.0,
            y: top + far / 2.0,
        };
        let to = map.apply(centre)?;
        let (dx, dy) = (to.x - centre.x, to.y - centre.y);
        for (x, y) in [
            (left, top),
            (left + far, top),
            (left, top + far),
            (left + far, top + far),
        ] {
            let p = map.apply(Point { x, y })?;
            if (p.x - x - dx).hypot(p.y - y - dy) > ALIKE {
                return None;
            }
        }
        let (x, y) = (left + dx - self.left as f64, top + dy - self.top as f64);
        let ((first, across), (start, down)) = (kernel.taps(x), kernel.taps(y));
        let (first, start) = (usize::try_from(first).ok()?, usize::try_from(start).ok()?);
        let (rows, columns) = self.patch.luma.dim();
        if first + side + TAPS > columns || start + side + TAPS > rows {
            return None;
        }
        let samples = self.patch.luma.as_slice()?;
        let mut lines = vec![0f32; (side + TAPS - 1) * side];
        for (r, line) in lines.chunks_exact_mut(side).enumerate() {
            let from = &samples[(start + r) * columns + first..];
            for (k, &w) in across.iter().enumerate() {
                for (sum, &v) in line.iter_mut().zip(&from[k..k + side]) {
                    *sum += w * v;
                }
            }
        }
        let mut seen = Array2::zeros((side, side));
        let (row, column) = (y as usize, x as usize);
        for (r, mut out) in seen.rows_mut().into_iter().enumerate() {
            let out = out.as_slice_mut()?;
            for (k, &w) in down.iter().enumerate() {
                let line = &lines[(r + k) * side..(r + k + 1) * side];
                for (sum, &v) in out.iter_mut().zip(line) {
                    *sum += w * v;
                }
            }
            for (c, value) in out.iter_mut().enumerate() {
                if !self.patch.usable[[row + r, column + c]] {
                    *value = f32::NAN;
                }
            }
        }
        Some(seen)
    }
}

/// Normal equations of one step for (columns, rows, gain, offset), with the mean gradient of both sides: efficient
/// second-order minimisation (Benhimane and Malis 2004).
struct Sums {
    matrix: Matrix4<f64>,
    vector: Vector4<f64>,
    count: f64,
    /// Weighted sum of squared residuals.
    squares: f64,
    /// Weighted sum of squared deviations of the frame from its mean.
    variance: f64,
}

impl Sums {
    /// Variance of the noise before smoothing, as the residuals show it.
    fn noise(&self) -> f64 {
        self.squares / (self.count - 4.0).max(1.0) / SMOOTHED_NOISE
    }

    /// The matrix, its first two rows damped (Marquardt 1963): along an edge, where the tile could not be placed to a pixel,
    /// the step stays small instead of following the noise. Where the steps end does not change.
    fn held(&self) -> Matrix4<f64> {
        let mut matrix = self.matrix;
        matrix[(0, 0)] += self.noise();
        matrix[(1, 1)] += self.noise();
        matrix
    }

    fn new(tile: &Tile, seen: &Array2<f32>, gain: f64, offset: f64) -> Self {
        let mut normal = [[0f64; 4]; 4];
        let mut vector = [0f64; 4];
        let (mut count, mut squares, mut first, mut second, mut weights) =
            (0.0, 0.0, 0.0, 0.0, 0.0);
        let (a, b) = (&tile.luma, seen);
        for r in 1..=tile.size {
            for c in 1..=tile.size {
                let slope = |p: &Array2<f32>| {
                    (
                        0.5 * (p[[r, c + 1]] - p[[r, c - 1]]),
                        0.5 * (p[[r + 1, c]] - p[[r - 1, c]]),
                    )
                };
                let ((ax, ay), (bx, by)) = (slope(a), slope(b));
                let here = f64::from(a[[r, c]]);
                let there = f64::from(b[[r, c]]);
                let residual = gain * here + offset - there;
                let gx = 0.5 * (f64::from(ax) * gain + f64::from(bx));
                let gy = 0.5 * (f64::from(ay) * gain + f64::from(by));
                // One test for all: any sample that may not be used is NaN.
                let weight = f64::from(tile.weight[[r, c]]);
                if !(residual + gx + gy + weight).is_finite() {
                    continue;
                }
                let row = [gx, gy, -here, -1.0];
                for i in 0..4 {
                    for j in i..4 {
                        normal[i][j] += weight * row[i] * row[j];
                    }
                    vector[i] += weight * row[i] * residual;
                }
                count += 1.0;
                weights += weight;
                squares += weight * residual * residual;
                first += weight * there;
                second += weight * there * there;
            }
        }
        Sums {
            matrix: Matrix4::from_fn(|i, j| normal[i.min(j)][i.max(j)]),
            vector: Vector4::from(vector),
            count,
            squares,
            variance: second - first * first / f64::max(weights, 1e-12),
        }
    }
}
