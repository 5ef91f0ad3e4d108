//! One tile: where a patch of the reference lies in a frame, to a small fraction of a pixel.
use super::intensity::IntensityMap;
use super::signal::{CLIPPED, CRUSHED, visit_row};
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

/// Luma of a rectangle in levels, smoothed by [1 2 1]/4 both ways.
struct Patch {
    luma: Array2<f32>,
    /// True where every sample within two pixels lies in the frame and is neither clipped nor crushed.
    usable: Array2<bool>,
}

/// How far a sample that cannot be used makes others unusable, pixels.
const SPREAD: usize = 2;

impl Patch {
    /// Cuts a rectangle that may reach outside, where the border's samples are repeated.
    fn cut(pixels: &Pixels, top: isize, left: isize, (height, width): (usize, usize)) -> Self {
        let (high, wide) = (height + 2 * SPREAD, width + 2 * SPREAD);
        let mut raw = Array2::zeros((high, wide));
        let mut seen = Array2::from_elem((high, wide), false);
        let (rows, columns) = (pixels.rows() as isize, pixels.columns() as isize);
        let (top, left) = (top - SPREAD as isize, left - SPREAD as isize);
        let first = left.clamp(0, columns - 1);
        let last = (left + wide as isize - 1).clamp(0, columns - 1);
        let mut line = vec![(0f32, false); (last - first) as usize + 1];
        for r in 0..high {
            let row = top + r as isize;
            let held = row.clamp(0, rows - 1);
            visit_row(
                pixels,
                held as usize,
                first as usize..last as usize + 1,
                |c, luma, peak| {
                    line[c - first as usize] = (luma, peak < CLIPPED && luma > CRUSHED);
                },
            );
            for c in 0..wide {
                let column = left + c as isize;
                let (luma, usable) = line[(column.clamp(first, last) - first) as usize];
                raw[[r, c]] = luma;
                seen[[r, c]] = usable && row == held && (0..columns).contains(&column);
            }
        }
        Patch {
            luma: smooth(&raw.slice(ndarray::s![1..high - 1, 1..wide - 1]).to_owned()),
            usable: shrink(&seen),
        }
    }
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

/// True where all of the window of [`SPREAD`] is; smaller by the window.
fn shrink(seen: &Array2<bool>) -> Array2<bool> {
    let (rows, columns) = seen.dim();
    let side = 2 * SPREAD;
    let across = Array2::from_shape_fn((rows, columns - side), |(r, c)| {
        (0..=side).all(|k| seen[[r, c + k]])
    });
    Array2::from_shape_fn((rows - side, columns - side), |(r, c)| {
        (0..=side).all(|k| across[[r + k, c]])
    })
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
            let Some(inverse) = sums.matrix.try_inverse() else {
                return Looked::Unseen;
            };
            let by = inverse * sums.vector;
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
}

/// Phases the kernel is tabulated for, per pixel.
const PHASES: usize = 1024;
/// Taps of the kernel.
const TAPS: usize = 8;
/// Shape of the Kaiser window: below 0.25 cycles a pixel it moves no wave by more than 0.002 px, where cubic
/// convolution moves them by up to 0.045 px.
const SHAPE: f64 = 6.5;

/// A windowed sinc (Kaiser 1974), for places that matter to thousandths of a pixel.
pub(super) struct Kernel {
    weights: Vec<[f32; TAPS]>,
}

impl Kernel {
    pub fn new() -> Self {
        let half = TAPS as f64 / 2.0;
        let weight = |x: f64| {
            let inside = (1.0 - (x / half).powi(2)).max(0.0);
            let angle = std::f64::consts::PI * x;
            let sinc = if angle.abs() < 1e-9 {
                1.0
            } else {
                angle.sin() / angle
            };
            sinc * bessel(SHAPE * inside.sqrt())
        };
        let weights = (0..=PHASES)
            .map(|phase| {
                let t = phase as f64 / PHASES as f64;
                let raw: Vec<f64> = (0..TAPS)
                    .map(|i| weight(t + half - 1.0 - i as f64))
                    .collect();
                let sum: f64 = raw.iter().sum();
                std::array::from_fn(|i| (raw[i] / sum) as f32)
            })
            .collect();
        Kernel { weights }
    }

    /// First sample and weights for a position (centre of sample i at i + 0.5).
    #[inline]
    fn taps(&self, position: f64) -> (isize, &[f32; TAPS]) {
        let at = (position - 0.5).clamp(-1e6, 1e6);
        let base = at.floor();
        let phase = ((at - base) * PHASES as f64).round() as usize;
        (
            base as isize - (TAPS as isize / 2 - 1),
            &self.weights[phase.min(PHASES)],
        )
    }

    /// The plane's value at a point; NaN outside.
    #[inline]
    fn value(&self, plane: &Array2<f32>, x: f64, y: f64) -> f32 {
        let ((left, across), (top, down)) = (self.taps(x), self.taps(y));
        let (rows, columns) = plane.dim();
        let taps = TAPS as isize;
        let inside =
            left >= 0 && top >= 0 && left + taps <= columns as isize && top + taps <= rows as isize;
        let (Some(samples), true) = (plane.as_slice(), inside) else {
            return f32::NAN;
        };
        let mut start = top as usize * columns + left as usize;
        let mut sums = [0f32; TAPS];
        for &v in down {
            let line = &samples[start..start + TAPS];
            for (sum, &p) in sums.iter_mut().zip(line) {
                *sum += v * p;
            }
            start += columns;
        }
        sums.iter().zip(across).map(|(s, w)| s * w).sum()
    }
}

/// Modified Bessel function of the first kind and order zero, by its series.
fn bessel(x: f64) -> f64 {
    let (mut sum, mut term) = (1.0, 1.0);
    for k in 1..40 {
        term *= (x / (2.0 * f64::from(k))).powi(2);
        sum += term;
    }
    sum
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
