//! Registers one frame against another: test for no motion, refinement from the identity, search, tiles, model, acceptance.
use super::identity;
use super::intensity::IntensityMap;
use super::kernel::Kernel;
use super::model::{Extent, Fit, USED_WEIGHT, choose, distance, residual, shift_uncertainty};
use super::refine::{RIGID, SCALED, refine};
use super::signal::{Small, pyramid, ranks};
use super::tile::{Match, REACH, Tile, TileSearch, tally};
use super::{search, structure, tiles};
use nalgebra::Matrix2;
use rayon::prelude::*;
use stopspan_core::model::MotionModel;
use stopspan_core::model::{Placement, TileResidual};
use stopspan_core::raster::{Pixels, Transform};

/// Minimum share, 0..=1, of the matched tiles that must agree with the fitted motion.
const MIN_AGREEING_SHARE: f64 = 0.5;
/// Largest residual of a tile that agrees with a motion whatever its uncertainty, pixels.
pub(super) const AGREEMENT_RADIUS: f64 = 0.5;
/// Minimum correlation of the small rank planes, -1..=1, for a motion to be tested on tiles.
const MIN_CORRELATION: f64 = 0.3;
/// Minimum number of matched tiles for a frame to be accepted as stationary without refinement or search.
const MIN_STATIONARY_TILES: usize = 12;
/// Minimum number of tiles that must agree with a motion.
const MIN_AGREEING_TILES: usize = 4;
/// Minimum ratio of agreeing to other textured tiles for a frame in which no motion was found to be accepted as stationary.
const STATIONARY_MAJORITY: usize = 4;
/// Number of candidates of the phase-correlation search that are refined.
const CANDIDATES: usize = 3;

/// A frame to register and the one it is registered against, at full resolution and reduced.
pub(super) struct Pair<'a> {
    pub reference: &'a Pixels,
    pub frame: &'a Pixels,
    pub fixed: &'a Small,
    pub moving: &'a Small,
}

/// Pyramids of the rank planes of reference frame and frame, finest level first.
type Pyramids = [Vec<ndarray::Array2<f32>>; 2];

impl Pair<'_> {
    /// Registers the frame. The error is the reason in words, for
    /// [`Finding::RegistrationFailed`](stopspan_core::finding::Finding::RegistrationFailed).
    pub fn register(&self) -> Result<Placement, &'static str> {
        if self.reference.dim() != self.frame.dim() {
            return Err("the frames differ in size");
        }
        if self.fixed.luma.nrows().min(self.fixed.luma.ncols()) < 24 {
            return Err("the frames are too small to find a motion in");
        }
        self.clearly_stationary()
            .map_or_else(|| self.find_motion(), Ok)
    }

    /// True unless something shows that the frame does not lie as the other does: fewer than half of the tiles that have texture
    /// enough to be found are at their place, or what it shows is not what the other shows there.
    pub fn may_lie_still(&self) -> bool {
        let here = Transform::IDENTITY;
        if self.reference.dim() != self.frame.dim() || structure::differ(self.fixed, self.moving) {
            return false;
        }
        let Some(levels) = self.intensity_map(&here) else {
            return true;
        };
        let (matches, usable) = self.matches(&here, &levels, self.cells());
        let agree = matches.iter().filter(|m| agrees(&here, m)).count();
        usable < MIN_AGREEING_TILES || 2 * agree >= usable
    }

    fn extent(&self) -> Extent {
        Extent {
            rows: self.reference.rows(),
            columns: self.reference.columns(),
        }
    }

    /// Number of tiles along the longer side for fitting a motion.
    fn cells(&self) -> usize {
        tiles::density(self.fixed.block).motion
    }

    /// Level of the frame as a function of the level of the reference frame, measured with the frame mapped by `map` (full-size
    /// pixels).
    fn intensity_map(&self, map: &Transform) -> Option<IntensityMap> {
        let small = map.scaled(1.0 / self.fixed.block as f64);
        IntensityMap::measure(&self.fixed.luma, &self.moving.luma, &small)
    }

    /// The identity if a sparse set of tiles over the whole frame shows no motion, and next to no tile is missing. This is the
    /// fast path for frames from a tripod.
    fn clearly_stationary(&self) -> Option<Placement> {
        let here = Transform::IDENTITY;
        let levels = self.intensity_map(&here)?;
        let few = tiles::density(self.fixed.block).stationary;
        let corners = tiles::corners(self.fixed, self.moving, &here, few);
        // Every fourth tile first: they suffice to reject a frame with an obvious displacement.
        let (some, rest): (Vec<_>, Vec<_>) =
            corners.iter().enumerate().partition(|(i, _)| i % 4 == 0);
        let search = |corners: &[(usize, &(usize, usize))]| {
            self.search_tiles(corners.iter().map(|(_, corner)| **corner), &here, &levels)
        };
        let first = search(&some);
        let (matches, usable) = tally(&first);
        let displaced = |m: &Match| distance(&here, m) >= AGREEMENT_RADIUS;
        if matches.iter().any(displaced) || 10 * (usable - matches.len()) > corners.len() {
            return None;
        }
        let (mut first, mut rest) = (first.into_iter(), search(&rest).into_iter());
        let in_order = (0..corners.len()).filter_map(|i| {
            if i % 4 == 0 {
                first.next()
            } else {
                rest.next()
            }
        });
        let (matches, usable) = tally(&in_order.collect::<Vec<_>>());
        if matches.len() < MIN_STATIONARY_TILES || 10 * matches.len() < 9 * usable {
            return None;
        }
        let fit = choose(&matches, here, here, self.extent())?;
        let near = matches
            .iter()
            .all(|m| distance(&here, m) < AGREEMENT_RADIUS);
        if fit.model != MotionModel::Identity || !near {
            return None;
        }
        accept(&fit, &matches, usable, self.extent())
    }

    /// The identity for a frame with little texture in which refinement from the identity found no motion: at least four of five
    /// textured tiles must be at their place. Lens shading, which does not move with the scene, varies too little within a tile to
    /// count as texture.
    fn stationary_by_majority(&self) -> Option<Placement> {
        let here = Transform::IDENTITY;
        let (matches, usable) = self.matches(&here, &self.intensity_map(&here)?, self.cells());
        let agree = matches.iter().filter(|m| agrees(&here, m)).count();
        if agree < MIN_AGREEING_TILES || agree < STATIONARY_MAJORITY * (usable - agree) {
            return None;
        }
        let fit = identity::still(&matches, shift_uncertainty(&matches));
        placement(&fit, &matches, self.extent())
    }

    /// Refines from the identity and, if that fails, from the candidates of a search over large displacements. The error is the
    /// reason in words.
    fn find_motion(&self) -> Result<Placement, &'static str> {
        let Some([a, b]) = ranks(&self.fixed.luma, &self.moving.luma) else {
            return Err("the frames share too few tones that neither has clipped");
        };
        let pyramids = [pyramid(a), pyramid(b)];
        let mut tried = Vec::new();
        let here = Transform::IDENTITY;
        if let Some(placement) = self.register_from::<RIGID>(&pyramids, here, &mut tried) {
            return Ok(placement);
        }
        if let Some(placement) = self.stationary_by_majority() {
            return Ok(placement);
        }
        if let Some(placement) = self.register_from::<SCALED>(&pyramids, here, &mut tried) {
            return Ok(placement);
        }
        let [a, b] = &pyramids;
        let level = search::level(a);
        let scale = (self.fixed.block << level) as f64;
        let starts = search::candidates(&a[level], &b[level], scale, CANDIDATES);
        let rigid = starts
            .iter()
            .find_map(|start| self.register_from::<RIGID>(&pyramids, *start, &mut tried));
        let scaled = || {
            let mut from = starts.iter();
            from.find_map(|start| self.register_from::<SCALED>(&pyramids, *start, &mut tried))
        };
        rigid
            .or_else(scaled)
            .ok_or("no motion brings enough of the frame into register")
    }

    /// Registers the frame from the initial estimate `start`; `N` tells whether its scale is refined. Adds the refined map to
    /// `tried`. `None` if the result is not accepted, or if a map within one pixel of the refined one has been tried already.
    fn register_from<const N: usize>(
        &self,
        [a, b]: &Pyramids,
        start: Transform,
        tried: &mut Vec<Transform>,
    ) -> Option<Placement> {
        let block = self.fixed.block;
        let (map, score) = refine::<N>(a, b, block, start)?;
        let extent = self.extent();
        if score < MIN_CORRELATION
            || tried
                .iter()
                .any(|t| extent.max_corner_distance(t, &map) < 1.0)
        {
            return None;
        }
        tried.push(map);
        let levels = self.intensity_map(&map)?;
        let (mut matches, mut usable) = self.matches(&map, &levels, self.cells());
        let mut fit = choose(&matches, map, map, extent)?;
        if fit.model == MotionModel::Homography {
            // From the homography, tiles come within search range that were beyond it from the shift and rotation.
            (matches, usable) = self.matches(&fit.map, &levels, self.cells());
            fit = choose(&matches, map, fit.map, extent)?;
        }
        let placement = accept(&fit, &matches, usable, extent)?;
        let still = identity::instead_of(&fit, &matches, |corner| {
            Tile::cut(self.reference, corner, self.tile_size(), &levels)
                .residuals(self.frame, [&Transform::IDENTITY, &fit.map])
        });
        let still = still.and_then(|fit| self::placement(&fit, &matches, extent));
        Some(still.unwrap_or(placement))
    }

    /// Side of a tile, pixels.
    fn tile_size(&self) -> usize {
        tiles::size(self.fixed.block)
    }

    /// The tiles found in the frame, and the number of tiles that had enough usable texture to be found (see [`tally`]).
    fn matches(&self, map: &Transform, levels: &IntensityMap, cells: usize) -> (Vec<Match>, usize) {
        let corners = tiles::corners(self.fixed, self.moving, map, cells);
        tally(&self.search_tiles(corners.into_iter(), map, levels))
    }

    /// Searches the frame for the tiles with these top-left corners (row, column) in the reference frame.
    fn search_tiles(
        &self,
        corners: impl Iterator<Item = (usize, usize)>,
        map: &Transform,
        levels: &IntensityMap,
    ) -> Vec<TileSearch> {
        let size = self.tile_size();
        let kernel = Kernel::get();
        let corners: Vec<(usize, usize)> = corners.collect();
        let search = |&corner: &(usize, usize)| {
            let tile = Tile::cut(self.reference, corner, size, levels);
            tile.find(self.frame, map, kernel)
        };
        corners.par_iter().map(search).collect()
    }
}

/// True if the tile was found within [`AGREEMENT_RADIUS`] of its position under `map`, enlarged by three times its own standard
/// uncertainty in each direction. Along an edge that uncertainty is large.
pub(super) fn agrees(map: &Transform, m: &Match) -> bool {
    let [xx, xy, yy] = m.covariance.map(|v| 9.0 * v);
    let floor = AGREEMENT_RADIUS * AGREEMENT_RADIUS;
    let allowed = Matrix2::new(xx + floor, xy, xy, yy + floor).try_inverse();
    let off = residual(map, m).zip(allowed);
    // Tiles are searched within REACH only.
    off.is_some_and(|(r, allowed)| (r.transpose() * allowed * r)[(0, 0)] < 1.0 && r.norm() < REACH)
}

/// The placement of an accepted fit. `None` if too few of the matched or of the `usable` tiles agree with it, or if its standard
/// uncertainty is above 0.5 pixel.
fn accept(fit: &Fit, matches: &[Match], usable: usize, extent: Extent) -> Option<Placement> {
    let agree = matches.iter().filter(|m| agrees(&fit.map, m)).count();
    let enough = agree >= MIN_AGREEING_TILES
        && agree as f64 >= MIN_AGREEING_SHARE * matches.len() as f64
        && 3 * agree >= usable;
    if !enough || fit.uncertainty > 0.5 {
        return None;
    }
    placement(fit, matches, extent)
}

/// Registration of the frame by `fit`, with the residuals of all matches.
fn placement(fit: &Fit, matches: &[Match], extent: Extent) -> Option<Placement> {
    let sigma = |m: &Match| ((m.covariance[0] + m.covariance[2]) / 2.0).sqrt();
    let tiles: Vec<TileResidual> = matches
        .iter()
        .zip(&fit.weights)
        .filter_map(|(m, &weight)| {
            let p = fit.map.apply(m.at)?;
            Some(TileResidual {
                at: m.at,
                columns: m.to.x - p.x,
                rows: m.to.y - p.y,
                standard_uncertainty: sigma(m).min(REACH),
                used: weight > USED_WEIGHT,
            })
        })
        .collect();
    let used = || tiles.iter().filter(|t| t.used);
    let squares: f64 = used().map(|t| t.columns.powi(2) + t.rows.powi(2)).sum();
    Some(Placement {
        model: fit.model,
        transform: fit.map,
        found: true,
        movement: fit.map.movement(extent.centre())?,
        standard_uncertainty: fit.uncertainty,
        residual: Some((squares / used().count().max(1) as f64).sqrt()),
        tiles,
    })
}
