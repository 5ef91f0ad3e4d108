//! Registers the frames of a bracket: test for no motion, refinement from the identity, search, tiles, model, acceptance.
use super::intensity::IntensityMap;
use super::kernel::Kernel;
use super::model::{Extent, Fit, USED_WEIGHT, choose, distance, residual, shift_uncertainty};
use super::signal::{Small, pyramid, ranks};
use super::tile::{Match, REACH, Tile, TileSearch, tally};
use super::{refine, search, tiles};
use nalgebra::Matrix2;
use rayon::prelude::*;
use stopspan_core::finding::Finding;
use stopspan_core::model::{Bracket, MotionModel, Placement, Registration, TileResidual};
use stopspan_core::raster::{Pixels, Point, Transform};

/// Minimum share, 0..=1, of the matched tiles that must agree with the fitted motion.
const MIN_AGREEING_SHARE: f64 = 0.5;
/// Largest residual of a tile that agrees with a motion whatever its uncertainty, pixels.
const AGREEMENT_RADIUS: f64 = 0.5;
/// Minimum number of deviating tiles for [`Finding::OutOfRegister`].
const MIN_DEVIATING_TILES: usize = 4;
/// Minimum share, 0..=1, of deviating tiles among the matched tiles for [`Finding::OutOfRegister`].
const MIN_DEVIATING_SHARE: f64 = 0.05;
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

/// Registers every frame of a bracket against its reference frame. Exposures and response curve need not be known. The result
/// does not depend on the number of threads. A frame whose motion cannot be established has `found == false` and a
/// [`Finding::RegistrationFailed`]; the other frames are registered all the same.
pub fn register(bracket: &Bracket) -> Registration {
    let reference = &bracket.reference_frame().picture.pixels;
    let fixed = Small::new(reference);
    let registered: Vec<Result<Placement, &str>> = bracket
        .frames
        .par_iter()
        .enumerate()
        .map(|(i, frame)| {
            if i == bracket.reference {
                return Ok(Placement::still());
            }
            register_frame(reference, &fixed, &frame.picture.pixels)
        })
        .collect();
    let mut findings = Vec::new();
    let registered = bracket.frames.iter().zip(registered);
    let placements = registered
        .map(|(frame, result)| match result {
            Ok(placement) => {
                findings.extend(displacement_finding(&frame.name(), &placement));
                findings.extend(out_of_register_finding(&frame.name(), &placement));
                placement
            }
            Err(reason) => {
                findings.push(Finding::RegistrationFailed {
                    frame: frame.name(),
                    reason: reason.into(),
                });
                Placement::lost()
            }
        })
        .collect();
    Registration {
        placements,
        findings,
    }
}

/// True if every registered frame has its corners within `tolerance` pixels of those of the reference frame. Frames that could
/// not be registered are ignored.
pub fn in_register(bracket: &Bracket, registration: &Registration, tolerance: f64) -> bool {
    let (rows, columns, _) = bracket.reference_frame().picture.pixels.dim();
    let corners = [(0, 0), (0, columns), (rows, 0), (rows, columns)].map(|(y, x)| Point {
        x: x as f64,
        y: y as f64,
    });
    registration.placements.iter().all(|p| {
        let near = |c: &Point| {
            let at = p.transform.apply(*c);
            at.is_some_and(|at| (at.x - c.x).hypot(at.y - c.y) <= tolerance)
        };
        !p.found || corners.iter().all(near)
    })
}

/// A [`Finding::Displaced`] unless the motion is the identity.
fn displacement_finding(frame: &str, placement: &Placement) -> Option<Finding> {
    let (columns, rows, degrees) = placement.movement;
    (placement.model != MotionModel::Identity).then(|| Finding::Displaced {
        frame: frame.into(),
        columns,
        rows,
        degrees,
        residual_px: placement.residual.unwrap_or(0.0),
    })
}

/// A [`Finding::OutOfRegister`] if several tiles deviate from the motion by more than [`AGREEMENT_RADIUS`] and by more than four
/// times their standard uncertainty. The motion model then does not describe those parts of the frame.
fn out_of_register_finding(frame: &str, placement: &Placement) -> Option<Finding> {
    let deviates = |t: &&TileResidual| {
        let distance = t.columns.hypot(t.rows);
        distance > AGREEMENT_RADIUS && distance > 4.0 * t.standard_uncertainty
    };
    let tiles = placement.tiles.iter().filter(deviates).count();
    let enough = tiles >= MIN_DEVIATING_TILES
        && tiles as f64 >= MIN_DEVIATING_SHARE * placement.tiles.len() as f64;
    let largest = placement.tiles.iter().filter(deviates);
    enough.then(|| Finding::OutOfRegister {
        frame: frame.into(),
        tiles,
        of_tiles: placement.tiles.len(),
        largest_px: largest.map(|t| t.columns.hypot(t.rows)).fold(0.0, f64::max),
    })
}

/// Registers one picture against another of its size by the same criteria as a frame; `None` if no motion can be established.
pub(super) fn register_picture(reference: &Pixels, picture: &Pixels) -> Option<Placement> {
    // Pictures of other sizes are refused before the reference is reduced for them.
    let same_size = reference.dim() == picture.dim();
    let place = || register_frame(reference, &Small::new(reference), picture).ok();
    same_size.then(place).flatten()
}

/// Registers `frame` against `reference`, whose reduced luma is `fixed`. The error is the reason in words, for
/// [`Finding::RegistrationFailed`].
fn register_frame(
    reference: &Pixels,
    fixed: &Small,
    frame: &Pixels,
) -> Result<Placement, &'static str> {
    if reference.dim() != frame.dim() {
        return Err("the frames differ in size");
    }
    if fixed.luma.nrows().min(fixed.luma.ncols()) < 24 {
        return Err("the frames are too small to find a motion in");
    }
    let moving = Small::new(frame);
    let pair = Pair {
        reference,
        frame,
        fixed,
        moving: &moving,
    };
    if let Some(placement) = pair.clearly_stationary() {
        return Ok(placement);
    }
    pair.find_motion()
}

/// Reference frame and the frame to register, at full resolution and reduced.
struct Pair<'a> {
    reference: &'a Pixels,
    frame: &'a Pixels,
    fixed: &'a Small,
    moving: &'a Small,
}

/// Pyramids of the rank planes of reference frame and frame, finest level first.
type Pyramids = [Vec<ndarray::Array2<f32>>; 2];

impl Pair<'_> {
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
        let fit = Fit {
            model: MotionModel::Identity,
            map: here,
            weights: matches
                .iter()
                .map(|m| f64::from(u8::from(agrees(&here, m))))
                .collect(),
            uncertainty: shift_uncertainty(&matches),
        };
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
        if let Some(placement) = self.register_from(&pyramids, Transform::IDENTITY, &mut tried) {
            return Ok(placement);
        }
        if let Some(placement) = self.stationary_by_majority() {
            return Ok(placement);
        }
        let [a, b] = &pyramids;
        let level = search::level(a);
        let scale = (self.fixed.block << level) as f64;
        search::candidates(&a[level], &b[level], scale, CANDIDATES)
            .into_iter()
            .find_map(|start| self.register_from(&pyramids, start, &mut tried))
            .ok_or("no motion brings enough of the frame into register")
    }

    /// Registers the frame from the initial estimate `start`. Adds the refined map to `tried`. `None` if the result is not
    /// accepted, or if a map within one pixel of the refined one has been tried already.
    fn register_from(
        &self,
        [a, b]: &Pyramids,
        start: Transform,
        tried: &mut Vec<Transform>,
    ) -> Option<Placement> {
        let block = self.fixed.block;
        let (map, score) = refine::refine(a, b, block, start)?;
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
        accept(&fit, &matches, usable, extent)
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
        let size = tiles::size(self.fixed.block);
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
fn agrees(map: &Transform, m: &Match) -> bool {
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
