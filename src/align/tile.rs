//! One tile: where a patch of the reference lies in a frame, to a small fraction of a pixel.
use super::intensity::IntensityMap;
use super::signal::{CLIPPED, CRUSHED, visit_row};
use crate::raster::{Interpolation, Pixels, Point, Transform};
use nalgebra::{Matrix4, Vector4};
use ndarray::Array2;

/// Pixels around a tile that gradient and smoothing need.
const MARGIN: usize = 2;
/// A tile is looked for within this many pixels of where it is expected.
pub(super) const REACH: f64 = 3.0;
/// Gauss-Newton steps at most.
const STEPS: usize = 8;
/// A step below this many pixels ends the search.
const SMALL_STEP: f64 = 5e-4;
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
    /// Covariance of `to` from noise, pixels squared: xx, xy, yy.
    pub covariance: [f64; 3],
    /// Share of the frame's variance in the tile that the reference explains, at most 1.
    pub explained: f64,
}

/// Luma of a rectangle that may reach outside (NaN there), NaN too where a sample may be clipped or crushed, smoothed
/// by [1 2 1]/4 both ways; NaN spreads as far as the smoothing does.
fn patch(pixels: &Pixels, top: isize, left: isize, (height, width): (usize, usize)) -> Array2<f32> {
    let mut raw = Array2::from_elem((height + 2, width + 2), f32::NAN);
    let (rows, columns) = (pixels.rows() as isize, pixels.columns() as isize);
    let (first, last) = (
        (left - 1).clamp(0, columns),
        (left + width as isize + 1).clamp(0, columns),
    );
    for r in 0..height + 2 {
        let row = top - 1 + r as isize;
        if row < 0 || row >= rows || first >= last {
            continue;
        }
        visit_row(
            pixels,
            row as usize,
            first as usize..last as usize,
            |c, luma, peak| {
                if peak < CLIPPED && luma > CRUSHED {
                    raw[[r, (c as isize + 1 - left) as usize]] = luma;
                }
            },
        );
    }
    smooth(&raw)
}

fn smooth(raw: &Array2<f32>) -> Array2<f32> {
    let (rows, columns) = raw.dim();
    let across = Array2::from_shape_fn((rows, columns - 2), |(r, c)| {
        0.25 * (raw[[r, c]] + raw[[r, c + 2]]) + 0.5 * raw[[r, c + 1]]
    });
    Array2::from_shape_fn((rows - 2, columns - 2), |(r, c)| {
        0.25 * (across[[r, c]] + across[[r + 2, c]]) + 0.5 * across[[r + 1, c]]
    })
}

/// The reference's side of a tile, ready to be looked for in a frame.
pub(super) struct Tile {
    top: usize,
    left: usize,
    size: usize,
    /// Smoothed luma with one pixel of margin, mapped to the frame's levels.
    luma: Array2<f32>,
    /// Weight a pixel: inverse of the noise variance of the difference, both frames' noise taken equal in levels.
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
        let plain = patch(reference, top as isize - 1, left as isize - 1, (side, side));
        let mut weight = Array2::zeros((side, side));
        let mut luma = plain;
        for (v, w) in luma.iter_mut().zip(&mut weight) {
            let (level, slope) = levels.at(*v);
            *v = level;
            *w = 1.0 / (1.0 + slope * slope);
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

    /// Looks for the tile in `frame` around where `map` puts it. `None` where too little of it can be seen, or the
    /// search leaves [`REACH`] or does not settle.
    pub fn find(&self, frame: &Pixels, map: &Transform) -> Option<Match> {
        let source = Source::around(self, frame, map)?;
        let (mut x, mut y, mut gain, mut offset) = (0.0, 0.0, 1.0, 0.0);
        for step in 0..STEPS {
            let seen = source.seen(self, map, x, y);
            let sums = Sums::new(self, &seen, gain, offset);
            if sums.count < 0.3 * (self.size * self.size) as f64 {
                return None;
            }
            let inverse = sums.matrix.try_inverse()?;
            let by = inverse * sums.vector;
            let length = by[0].hypot(by[1]);
            if !length.is_finite() {
                return None;
            }
            let short = (1.0 / length).min(1.0);
            x += by[0] * short;
            y += by[1] * short;
            gain = (gain + by[2]).clamp(0.5, 2.0);
            offset += by[3];
            if x.hypot(y) > REACH {
                return None;
            }
            if length < SMALL_STEP || (step + 1 == STEPS && length < 0.02) {
                return self.found(map, (x, y), &sums, &inverse);
            }
        }
        None
    }

    fn found(
        &self,
        map: &Transform,
        (x, y): (f64, f64),
        sums: &Sums,
        inverse: &Matrix4<f64>,
    ) -> Option<Match> {
        let noise = sums.squares / (sums.count - 4.0).max(1.0) / SMOOTHED_NOISE;
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
    luma: Array2<f32>,
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
        let around = REACH + MARGIN as f64 + 3.0;
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
            luma: patch(
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
    fn seen(&self, tile: &Tile, map: &Transform, x: f64, y: f64) -> Array2<f32> {
        let side = tile.size + 2;
        let mut seen = Array2::from_elem((side, side), f32::NAN);
        for ((r, c), value) in seen.indexed_iter_mut() {
            let place = Point {
                x: (tile.left + c) as f64 - 0.5 + x,
                y: (tile.top + r) as f64 - 0.5 + y,
            };
            if let Some(p) = map.apply(place) {
                *value = self.value(p.x - self.left as f64, p.y - self.top as f64);
            }
        }
        seen
    }

    #[inline]
    fn value(&self, x: f64, y: f64) -> f32 {
        let (across, down) = (Interpolation::Cubic.taps(x), Interpolation::Cubic.taps(y));
        let (rows, columns) = self.luma.dim();
        let inside = across.first >= 0
            && down.first >= 0
            && across.first + 4 <= columns as isize
            && down.first + 4 <= rows as isize;
        let (Some(samples), true) = (self.luma.as_slice(), inside) else {
            return f32::NAN;
        };
        let mut start = down.first as usize * columns + across.first as usize;
        let w = &across.weights;
        let mut sum = 0.0;
        for &v in &down.weights[..4] {
            let p = &samples[start..start + 4];
            sum += v * (w[0] * p[0] + w[1] * p[1] + w[2] * p[2] + w[3] * p[3]);
            start += columns;
        }
        sum
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
                if !(residual + gx + gy).is_finite() {
                    continue;
                }
                let weight = f64::from(tile.weight[[r, c]]);
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
