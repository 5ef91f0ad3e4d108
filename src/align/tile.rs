//! Search for one tile: subpixel position in a frame of a patch of the reference frame, with its covariance.
use super::intensity::IntensityMap;
use super::kernel::Kernel;
use super::patch::Patch;
use super::refine::GainOffset;
use super::source::Source;
use super::tile_sums::{Sums, texture_energy};
use nalgebra::{Matrix2, Matrix4, Vector2};
use ndarray::Array2;
use stopspan_core::raster::{Pixels, Point, Transform};

/// Search range around the expected position of a tile, pixels.
pub(super) const REACH: f64 = 3.0;
/// Maximum number of Gauss-Newton steps.
const STEPS: usize = 10;
/// Minimum share, 0..=1, of usable pixels in a tile.
const MIN_USABLE_SHARE: f64 = 0.05;
/// Length of a step at which the search has converged, pixels.
const SMALL_STEP: f64 = 5e-4;
/// Largest standard uncertainty, pixels, in the best determined direction, at which a tile counts as textured.
const MAX_UNCERTAINTY: f64 = 1.0 / 3.0;
/// Standard uncertainty, pixels, of a position in a direction without texture, as along an edge: practically unknown.
const UNKNOWN: f64 = 100.0;

/// Position at which a tile was found.
#[derive(Debug, Clone, Copy)]
pub(super) struct Match {
    /// First row and column of the tile in the reference frame.
    pub corner: (usize, usize),
    /// Centre of the tile in the reference frame, pixels.
    pub at: Point,
    /// Corresponding point in the frame, pixels.
    pub to: Point,
    /// Covariance of `to` due to noise, pixels squared: xx, xy, yy. Noise variance times the inverse of the summed squared
    /// gradients, as in the bound of Robinson and Milanfar (2004), after subtraction of the gradients of noise.
    pub covariance: [f64; 3],
    /// Coefficient of determination: share of the frame's variance in the tile that the reference explains, at most 1.
    pub explained: f64,
}

/// Outcome of the search for a tile.
#[derive(Debug, Clone, Copy)]
pub(super) enum TileSearch {
    /// Too few pixels are usable (not clipped, crushed or outside the frame), or the tile has no texture beyond noise.
    Unusable,
    /// Not within the search range, or the search did not converge.
    Missing(MissingTile),
    /// Found.
    Found(Match),
}

/// A tile that was not found. Whether it has enough texture to be found depends on the noise, of which its own residuals give only
/// an upper limit.
#[derive(Debug, Clone, Copy)]
pub(super) struct MissingTile {
    /// Smallest noise variance estimated from the residuals of any step, levels squared.
    pub noise: f64,
    /// Largest sum of squared gradients of the reference over all directions, from pixels usable in both frames.
    gradients: f64,
    /// Number of those pixels.
    count: f64,
}

impl MissingTile {
    fn at(sums: &Sums) -> Self {
        let [xx, xy, yy] = sums.own;
        MissingTile {
            noise: sums.noise(),
            gradients: Matrix2::new(xx, xy, xy, yy).symmetric_eigenvalues().max(),
            count: sums.count,
        }
    }

    /// True if its gradients, after subtraction of those of noise with this variance (levels squared), suffice to locate it to
    /// [`MAX_UNCERTAINTY`].
    pub fn is_textured(&self, noise: f64) -> bool {
        let texture = texture_energy(self.gradients, noise, self.count);
        texture > noise / (MAX_UNCERTAINTY * MAX_UNCERTAINTY)
    }
}

/// Typical ratio of the noise variance in the darkest parts of a frame to that in most of it.
const DARK_NOISE_RATIO: f64 = 8.0;

/// A tile of the reference frame, prepared for the search in another frame.
pub(super) struct Tile {
    /// First row in the reference frame.
    pub(super) top: usize,
    /// First column in the reference frame.
    pub(super) left: usize,
    /// Side, pixels.
    pub(super) size: usize,
    /// Smoothed luma with a margin of one pixel, mapped to levels of the frame.
    pub(super) luma: Array2<f32>,
    /// Weight per pixel: inverse noise variance of the difference of the two frames, relative to that of the frame, if their noise
    /// is equal in levels. NaN for unusable pixels.
    pub(super) weight: Array2<f32>,
}

impl Tile {
    /// Cuts the tile of `size` x `size` pixels at (top, left), which must lie inside the frame. `levels` maps levels of the
    /// reference frame to those of the frame to be searched.
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

    /// Searches `frame` for the tile within [`REACH`] of its position under `map`, by Gauss-Newton with free gain and offset.
    pub fn find(&self, frame: &Pixels, map: &Transform, kernel: &Kernel) -> TileSearch {
        let Some(source) = Source::around(self, frame, map) else {
            return TileSearch::Unusable;
        };
        let (mut x, mut y) = (0.0, 0.0);
        let mut levels = GainOffset {
            gain: 1.0,
            offset: 0.0,
        };
        let mut missing: Option<MissingTile> = None;
        for step in 0..STEPS {
            let samples = source.resample(self, map, (x, y), kernel);
            let sums = Sums::new(self, &samples, levels);
            if sums.count < MIN_USABLE_SHARE * (self.size * self.size) as f64 {
                return TileSearch::Unusable;
            }
            let missing = missing.get_or_insert_with(|| MissingTile::at(&sums));
            missing.noise = missing.noise.min(sums.noise());
            let Some((by, inverse)) = sums.step() else {
                return TileSearch::Unusable;
            };
            let length = by[0].hypot(by[1]);
            if !length.is_finite() {
                return TileSearch::Unusable;
            }
            let short = (1.0 / length).min(1.0);
            x += by[0] * short;
            y += by[1] * short;
            levels.gain = (levels.gain + by[2]).clamp(0.5, 2.0);
            levels.offset += by[3];
            if x.hypot(y) > REACH {
                return TileSearch::Missing(*missing);
            }
            if length < SMALL_STEP || (step + 1 == STEPS && length < 0.02) {
                return self.found(map, (x, y), &sums, &inverse);
            }
        }
        missing.map_or(TileSearch::Unusable, TileSearch::Missing)
    }

    /// Residual variances, levels squared, at the tile's place under each of two maps, with gain and offset fitted. `None` if too few
    /// pixels are usable under either.
    pub fn residuals(&self, frame: &Pixels, maps: [&Transform; 2]) -> Option<[f64; 2]> {
        let of = |map: &Transform| {
            let source = Source::around(self, frame, map)?;
            let samples = source.resample(self, map, (0.0, 0.0), Kernel::get());
            let mut levels = GainOffset {
                gain: 1.0,
                offset: 0.0,
            };
            let mut sums = Sums::new(self, &samples, levels);
            if sums.count < MIN_USABLE_SHARE * (self.size * self.size) as f64 {
                return None;
            }
            let [gain, offset] = sums.levels()?;
            levels.gain = (levels.gain + gain).clamp(0.5, 2.0);
            levels.offset += offset;
            sums = Sums::new(self, &samples, levels);
            Some(sums.noise())
        };
        Some([of(maps[0])?, of(maps[1])?])
    }

    /// The match at displacement (x, y), pixels, from the expected position. `inverse` is the inverse of the normal matrix.
    fn found(
        &self,
        map: &Transform,
        (x, y): (f64, f64),
        sums: &Sums,
        inverse: &Matrix4<f64>,
    ) -> TileSearch {
        let noise = sums.noise();
        let Some(own) = sums.information(inverse) else {
            return TileSearch::Unusable;
        };
        // Along an edge the position is undetermined and stays at the expected one.
        let known = own.eigenvalues.map(|v| v / noise.max(1e-15));
        if known.max() < 1.0 / (MAX_UNCERTAINTY * MAX_UNCERTAINTY) {
            return TileSearch::Unusable;
        }
        let along = own.eigenvectors.transpose() * Vector2::new(x, y);
        let shrunk = along.zip_map(&known, |d, k| d * k / (k + 1.0 / (REACH * REACH)));
        let by = own.eigenvectors * shrunk;
        let variances = known.map(|k| 1.0 / (k + 1.0 / (UNKNOWN * UNKNOWN)));
        let covariance =
            own.eigenvectors * Matrix2::from_diagonal(&variances) * own.eigenvectors.transpose();
        let at = self.centre();
        let to = map.apply(Point {
            x: at.x + by[0],
            y: at.y + by[1],
        });
        let found = |to| Match {
            corner: (self.top, self.left),
            at,
            to,
            covariance: [covariance[(0, 0)], covariance[(0, 1)], covariance[(1, 1)]],
            explained: 1.0 - sums.squares / sums.variance.max(1e-12),
        };
        to.map_or(TileSearch::Unusable, |to| TileSearch::Found(found(to)))
    }
}

/// The reliable matches, and the number of usable tiles: those found, reliable or not, and those missing that have texture.
pub(super) fn tally(searched: &[TileSearch]) -> (Vec<Match>, usize) {
    let missing = searched.iter().filter_map(|t| match t {
        TileSearch::Missing(missing) => Some(*missing),
        _ => None,
    });
    let found = searched
        .iter()
        .filter(|t| matches!(t, TileSearch::Found(_)));
    let usable = found.count() + count_textured(missing.collect());
    let reliable = |m: &Match| m.explained > 0.2 && m.covariance.iter().all(|v| v.is_finite());
    let found = searched.iter().filter_map(|t| match t {
        TileSearch::Found(m) if reliable(m) => Some(*m),
        _ => None,
    });
    (found.collect(), usable)
}

/// Number of missing tiles with enough texture to be found. The noise variance of a tile is that of its own residuals, limited to
/// between the lower quartile over all missing tiles and [`DARK_NOISE_RATIO`] times that quartile.
fn count_textured(missing: Vec<MissingTile>) -> usize {
    let mut noise: Vec<f64> = missing.iter().map(|t| t.noise).collect();
    noise.sort_by(f64::total_cmp);
    let Some(&low) = noise.get(noise.len() / 4) else {
        return 0;
    };
    let textured = |t: &&MissingTile| t.is_textured(t.noise.clamp(low, DARK_NOISE_RATIO * low));
    missing.iter().filter(textured).count()
}
