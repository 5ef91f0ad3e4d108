//! One tile: where a patch of the reference lies in a frame, to a small fraction of a pixel.
use super::intensity::IntensityMap;
use super::kernel::{Kernel, TAPS};
use super::patch::Patch;
use super::tile_sums::{Sums, texture_alone};
use crate::raster::{Pixels, Point, Transform};
use nalgebra::{Matrix2, Matrix4, Vector2};
use ndarray::Array2;

/// Pixels around a tile that gradient and smoothing need.
const MARGIN: usize = 2;
/// A tile is looked for within this many pixels of where it is expected.
pub(super) const REACH: f64 = 3.0;
/// Gauss-Newton steps at most.
const STEPS: usize = 10;
/// Share of a tile's pixels that must be usable.
const LEAST_SEEN: f64 = 0.05;
/// A step below this many pixels ends the search.
const SMALL_STEP: f64 = 5e-4;
/// A map that moves no corner of a tile by more than this many pixels against its centre moves the tile alike.
const ALIKE: f64 = 2e-3;
/// A tile that cannot be placed to this many pixels (standard uncertainty, in the direction it knows best) shows nothing to
/// be placed by.
const PLACED: f64 = 1.0 / 3.0;
/// Standard uncertainty of a place along an edge or where noise alone has gradients, pixels: as good as unknown.
const UNKNOWN: f64 = 100.0;

/// Where a tile was found.
#[derive(Debug, Clone, Copy)]
pub(super) struct Match {
    /// Centre of the tile in the reference.
    pub at: Point,
    /// The same place in the frame.
    pub to: Point,
    /// Covariance of `to` from noise, pixels squared: xx, xy, yy; the noise times the inverse of the summed squared
    /// gradients, as in the bound of Robinson and Milanfar (2004), less those that noise alone has.
    pub covariance: [f64; 3],
    /// Share of the frame's variance in the tile that the reference explains, at most 1.
    pub explained: f64,
}

/// A tile looked for.
#[derive(Debug, Clone, Copy)]
pub(super) enum Looked {
    /// Too little of it is neither clipped, crushed nor outside, or it shows nothing but noise.
    Unseen,
    /// It was not there.
    Lost(Lost),
    /// It was found.
    Found(Match),
}

/// A tile that was not there. Whether it could have been seen hangs on the noise, which it does not tell by itself.
#[derive(Debug, Clone, Copy)]
pub(super) struct Lost {
    /// Variance of the noise as its residuals show it, where they were least.
    pub noise: f64,
    /// Largest sum of squared gradients of the reference in any direction, where both frames could be seen.
    gradients: f64,
    /// Pixels so.
    count: f64,
}

impl Lost {
    fn at(sums: &Sums) -> Self {
        let [xx, xy, yy] = sums.own;
        Lost {
            noise: sums.noise(),
            gradients: Matrix2::new(xx, xy, xy, yy).symmetric_eigenvalues().max(),
            count: sums.count,
        }
    }

    /// True if its gradients are beyond those of noise of this variance and would have placed it.
    pub fn could_be_seen(&self, noise: f64) -> bool {
        let texture = texture_alone(self.gradients, noise, self.count);
        texture > noise / (PLACED * PLACED)
    }
}

/// The reference's side of a tile, ready to be looked for in a frame.
pub(super) struct Tile {
    top: usize,
    left: usize,
    pub(super) size: usize,
    /// Smoothed luma with one pixel of margin, mapped to the frame's levels.
    pub(super) luma: Array2<f32>,
    /// Weight a pixel: inverse of the noise variance of the difference, both frames' noise taken equal in levels; NaN
    /// where the pixel cannot be used.
    pub(super) weight: Array2<f32>,
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
        let mut lost: Option<Lost> = None;
        for step in 0..STEPS {
            let seen = source.seen(self, map, (x, y), kernel);
            let sums = Sums::new(self, &seen, gain, offset);
            if sums.count < LEAST_SEEN * (self.size * self.size) as f64 {
                return Looked::Unseen;
            }
            let lost = lost.get_or_insert_with(|| Lost::at(&sums));
            lost.noise = lost.noise.min(sums.noise());
            let Some((by, inverse)) = sums.step() else {
                return Looked::Unseen;
            };
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
                return Looked::Lost(*lost);
            }
            if length < SMALL_STEP || (step + 1 == STEPS && length < 0.02) {
                return self.found(map, (x, y), &sums, &inverse);
            }
        }
        lost.map_or(Looked::Unseen, Looked::Lost)
    }

    fn found(
        &self,
        map: &Transform,
        (x, y): (f64, f64),
        sums: &Sums,
        inverse: &Matrix4<f64>,
    ) -> Looked {
        let noise = sums.noise();
        let Some(own) = sums.information(inverse) else {
            return Looked::Unseen;
        };
        // In the direction of an edge nothing is known: no place off the expected one is claimed there.
        let known = own.eigenvalues.map(|v| v / noise.max(1e-15));
        if known.max() < 1.0 / (PLACED * PLACED) {
            return Looked::Unseen;
        }
        let along = own.eigenvectors.transpose() * Vector2::new(x, y);
        let held = along.zip_map(&known, |d, k| d * k / (k + 1.0 / (REACH * REACH)));
        let by = own.eigenvectors * held;
        let spread = known.map(|k| 1.0 / (k + 1.0 / (UNKNOWN * UNKNOWN)));
        let covariance =
            own.eigenvectors * Matrix2::from_diagonal(&spread) * own.eigenvectors.transpose();
        let at = self.centre();
        let to = map.apply(Point {
            x: at.x + by[0],
            y: at.y + by[1],
        });
        let found = |to| Match {
            at,
            to,
            covariance: [covariance[(0, 0)], covariance[(0, 1)], covariance[(1, 1)]],
            explained: 1.0 - sums.squares / sums.variance.max(1e-12),
        };
        to.map_or(Looked::Unseen, |to| Looked::Found(found(to)))
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
