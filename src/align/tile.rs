//! One tile: where a patch of the reference lies in a frame, to a small fraction of a pixel.
use super::intensity::IntensityMap;
use super::kernel::Kernel;
use super::patch::Patch;
use super::source::Source;
use super::tile_sums::{Sums, texture_alone};
use nalgebra::{Matrix2, Matrix4, Vector2};
use ndarray::Array2;
use stopspan_core::raster::{Pixels, Point, Transform};

/// A tile is looked for within this many pixels of where it is expected.
pub(super) const REACH: f64 = 3.0;
/// Gauss-Newton steps at most.
const STEPS: usize = 10;
/// Share of a tile's pixels that must be usable.
const LEAST_SEEN: f64 = 0.05;
/// A step below this many pixels ends the search.
const SMALL_STEP: f64 = 5e-4;
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

/// Noise variance of the darkest part of a frame over that of most of it, about.
const NOISIER: f64 = 8.0;

/// The reference's side of a tile, ready to be looked for in a frame.
pub(super) struct Tile {
    pub(super) top: usize,
    pub(super) left: usize,
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
        let Patch {
            mut luma, usable, ..
        } = Patch::cut(reference, top as isize - 1, left as isize - 1, (side, side));
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

/// The tiles that were found, and how many could be seen.
pub(super) fn tally(looked: &[Looked]) -> (Vec<Match>, usize) {
    let lost = looked.iter().filter_map(|l| match l {
        Looked::Lost(lost) => Some(*lost),
        _ => None,
    });
    let found = looked.iter().filter(|l| matches!(l, Looked::Found(_)));
    let seen = found.count() + could_be_seen(lost.collect());
    let good = |m: &Match| m.explained > 0.2 && m.covariance.iter().all(|v| v.is_finite());
    let found = looked.iter().filter_map(|l| match l {
        Looked::Found(m) if good(m) => Some(*m),
        _ => None,
    });
    (found.collect(), seen)
}

/// How many of the tiles that were not there could have been seen. Their noise is what their residuals show where they fitted
/// best, but not much more than most of them have.
fn could_be_seen(lost: Vec<Lost>) -> usize {
    let mut noise: Vec<f64> = lost.iter().map(|l| l.noise).collect();
    noise.sort_by(f64::total_cmp);
    let Some(&low) = noise.get(noise.len() / 4) else {
        return 0;
    };
    let seen = |l: &&Lost| l.could_be_seen(l.noise.clamp(low, NOISIER * low));
    lost.iter().filter(seen).count()
}
