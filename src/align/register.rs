//! The order of registration: still or not, from identity, a search where that fails, tiles, model, verdict.
use super::intensity::IntensityMap;
use super::kernel::Kernel;
use super::model::{Extent, Fit, choose, distance, residual, shift_uncertainty};
use super::signal::{Small, pyramid, ranks};
use super::tile::{Looked, Match, REACH, Tile, tally};
use super::{refine, search, tiles};
use nalgebra::Matrix2;
use rayon::prelude::*;
use stopspan_core::finding::Finding;
use stopspan_core::model::Bracket;
use stopspan_core::model::MotionModel;
use stopspan_core::model::Picture;
use stopspan_core::model::{Placement, Registration, TileResidual};
use stopspan_core::raster::Point;
use stopspan_core::raster::Transform;

/// Share of the tiles found that must agree with the motion.
const AGREEING: f64 = 0.5;
/// A tile agrees when it lies within this many pixels of where the motion puts it, or within three times its own
/// uncertainty.
const AGREES: f64 = 0.5;
/// Tiles off, and their share of all, from which it is said.
const OFF: (usize, f64) = (4, 0.05);
/// Correlation of the small rank planes below which tiles need not be looked at.
const LEAST_SCORE: f64 = 0.3;
/// Tiles found that a frame must have to be plainly still.
const ENOUGH: usize = 12;
/// Tiles that must agree at least.
const LEAST: usize = 4;
/// Of tiles with texture so many must be there for each that is not, where little else shows that a frame lay still.
const OUTVOTED: usize = 4;
/// Candidates of the search that are followed up.
const CANDIDATES: usize = 3;

/// Registers every frame of a bracket against its reference, whatever their exposures and response; the same bracket
/// gives the same result on any number of threads. Never fails as a whole: a frame whose motion cannot be established
/// has `found == false` and a [`Finding::RegistrationFailed`].
pub fn register(bracket: &Bracket) -> Registration {
    let reference = &bracket.reference_frame().picture;
    let fixed = Small::new(&reference.pixels);
    let placed: Vec<Result<Placement, &str>> = bracket
        .frames
        .par_iter()
        .enumerate()
        .map(|(i, frame)| {
            if i == bracket.reference {
                return Ok(Placement::still());
            }
            place(reference, &fixed, &frame.picture)
        })
        .collect();
    let mut findings = Vec::new();
    let placed = bracket.frames.iter().zip(placed);
    let placements = placed
        .map(|(frame, placed)| match placed {
            Ok(placement) => {
                findings.extend(displaced(&frame.name(), &placement));
                findings.extend(out_of_register(&frame.name(), &placement));
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

/// True if no corner of a registered frame lies farther than `near` pixels from that of the reference.
pub fn in_register(bracket: &Bracket, registration: &Registration, near: f64) -> bool {
    let (rows, columns, _) = bracket.reference_frame().picture.pixels.dim();
    let corners = [(0, 0), (0, columns), (rows, 0), (rows, columns)].map(|(y, x)| Point {
        x: x as f64,
        y: y as f64,
    });
    registration.placements.iter().all(|p| {
        let near = |c: &Point| {
            let at = p.transform.apply(*c);
            at.is_some_and(|at| (at.x - c.x).hypot(at.y - c.y) <= near)
        };
        !p.found || corners.iter().all(near)
    })
}

fn displaced(frame: &str, placement: &Placement) -> Option<Finding> {
    let (columns, rows, degrees) = placement.movement;
    (placement.model != MotionModel::Identity).then(|| Finding::Displaced {
        frame: frame.into(),
        columns,
        rows,
        degrees,
        residual_px: placement.residual.unwrap_or(0.0),
    })
}

/// Said where several tiles lie more than half a pixel off the motion, beyond their own uncertainty: one plane does not
/// describe the frame there.
fn out_of_register(frame: &str, placement: &Placement) -> Option<Finding> {
    let off = |t: &&TileResidual| {
        let distance = t.columns.hypot(t.rows);
        distance > AGREES && distance > 4.0 * t.standard_uncertainty
    };
    let tiles = placement.tiles.iter().filter(off).count();
    let enough = tiles >= OFF.0 && tiles as f64 >= OFF.1 * placement.tiles.len() as f64;
    let largest = placement.tiles.iter().filter(off);
    enough.then(|| Finding::OutOfRegister {
        frame: frame.into(),
        tiles,
        of_tiles: placement.tiles.len(),
        largest_px: largest.map(|t| t.columns.hypot(t.rows)).fold(0.0, f64::max),
    })
}

/// Registers one picture against another; the error says why it cannot be done.
fn place(reference: &Picture, fixed: &Small, frame: &Picture) -> Result<Placement, &'static str> {
    if reference.pixels.dim() != frame.pixels.dim() {
        return Err("the frames differ in size");
    }
    if fixed.luma.nrows().min(fixed.luma.ncols()) < 24 {
        return Err("the frames are too small to find a motion in");
    }
    let moving = Small::new(&frame.pixels);
    let pair = Pair {
        reference,
        frame,
        fixed,
        moving: &moving,
    };
    if let Some(placement) = pair.plainly_still() {
        return Ok(placement);
    }
    pair.place_anywhere()
}

struct Pair<'a> {
    reference: &'a Picture,
    frame: &'a Picture,
    fixed: &'a Small,
    moving: &'a Small,
}

/// Rank planes of the two, finest first.
type Pyramids = [Vec<ndarray::Array2<f32>>; 2];

impl Pair<'_> {
    fn extent(&self) -> Extent {
        Extent {
            rows: self.reference.pixels.rows(),
            columns: self.reference.pixels.columns(),
        }
    }

    /// Cells along the longer side that a motion is found by.
    fn cells(&self) -> usize {
        tiles::cells(self.fixed.block).0
    }

    /// The levels of the two frames that belong together where `map` puts them.
    fn levels(&self, map: &Transform) -> Option<IntensityMap> {
        let small = map.scaled(1.0 / self.fixed.block as f64);
        IntensityMap::measure(&self.fixed.luma, &self.moving.luma, &small)
    }

    /// Placed where it is if a few tiles all over the frame are there, with hardly one astray: what a tripod's frames cost.
    fn plainly_still(&self) -> Option<Placement> {
        let here = Transform::IDENTITY;
        let levels = self.levels(&here)?;
        let (_, few) = tiles::cells(self.fixed.block);
        let places = tiles::places(self.fixed, self.moving, &here, few);
        // Every fourth first: a frame that is plainly elsewhere need not be looked at any more.
        let (some, rest): (Vec<_>, Vec<_>) =
            places.iter().enumerate().partition(|(i, _)| i % 4 == 0);
        let look = |places: &[(usize, &(usize, usize))]| {
            self.look(places.iter().map(|(_, place)| **place), &here, &levels)
        };
        let first = look(&some);
        let (matches, seen) = tally(&first);
        let astray = |m: &Match| distance(&here, m) >= AGREES;
        if matches.iter().any(astray) || 10 * (seen - matches.len()) > places.len() {
            return None;
        }
        let (mut first, mut rest) = (first.into_iter(), look(&rest).into_iter());
        let in_order = (0..places.len()).filter_map(|i| {
            if i % 4 == 0 {
                first.next()
            } else {
                rest.next()
            }
        });
        let (matches, seen) = tally(&in_order.collect::<Vec<_>>());
        if matches.len() < ENOUGH || 10 * matches.len() < 9 * seen {
            return None;
        }
        let fit = choose(&matches, (here, here), self.extent())?;
        let near = matches.iter().all(|m| distance(&here, m) < AGREES);
        if fit.model != MotionModel::Identity || !near {
            return None;
        }
        judge(&fit, &matches, seen, self.extent())
    }

    /// Placed where it is though there is little to place it by, where no motion was found from here: of the tiles with
    /// texture at least four of five must be there. What a lens shades stays with it, but bends too little within a tile to be texture.
    fn hardly_seen_still(&self) -> Option<Placement> {
        let here = Transform::IDENTITY;
        let (matches, seen) = self.matches(&here, &self.levels(&here)?, self.cells());
        let there = matches.iter().filter(|m| agrees(&here, m)).count();
        if there < LEAST || there < OUTVOTED * (seen - there) {
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

    fn place_anywhere(&self) -> Result<Placement, &'static str> {
        let Some([a, b]) = ranks(&self.fixed.luma, &self.moving.luma) else {
            return Err("the frames share too few tones that neither has clipped");
        };
        let pyramids = [pyramid(a), pyramid(b)];
        let mut tried = Vec::new();
        if let Some(placement) = self.place_from(&pyramids, Transform::IDENTITY, &mut tried) {
            return Ok(placement);
        }
        if let Some(placement) = self.hardly_seen_still() {
            return Ok(placement);
        }
        let [a, b] = &pyramids;
        let level = search::level(a);
        let scale = (self.fixed.block << level) as f64;
        search::candidates(&a[level], &b[level], scale, CANDIDATES)
            .into_iter()
            .find_map(|start| self.place_from(&pyramids, start, &mut tried))
            .ok_or("no motion brings enough of the frame into register")
    }

    /// From a first guess to a placement; `None` if what comes out does not hold, or leads where `tried` has been.
    fn place_from(
        &self,
        [a, b]: &Pyramids,
        start: Transform,
        tried: &mut Vec<Transform>,
    ) -> Option<Placement> {
        let block = self.fixed.block;
        let (map, score) = refine::refine(a, b, (block, a.len() - 1), start)?;
        let extent = self.extent();
        if score < LEAST_SCORE || tried.iter().any(|t| extent.apart(t, &map) < 1.0) {
            return None;
        }
        tried.push(map);
        let levels = self.levels(&map)?;
        let (mut matches, mut seen) = self.matches(&map, &levels, self.cells());
        let mut fit = choose(&matches, (map, map), extent)?;
        if fit.model == MotionModel::Homography {
            // Tiles beyond the reach of the shift and turn come within it.
            (matches, seen) = self.matches(&fit.map, &levels, self.cells());
            fit = choose(&matches, (map, fit.map), extent)?;
        }
        judge(&fit, &matches, seen, extent)
    }

    /// The tiles found in the frame, and how many could be seen.
    fn matches(&self, map: &Transform, levels: &IntensityMap, cells: usize) -> (Vec<Match>, usize) {
        let places = tiles::places(self.fixed, self.moving, map, cells);
        tally(&self.look(places.into_iter(), map, levels))
    }

    /// Looks for the tiles at these places.
    fn look(
        &self,
        places: impl Iterator<Item = (usize, usize)>,
        map: &Transform,
        levels: &IntensityMap,
    ) -> Vec<Looked> {
        let size = tiles::size(self.fixed.block);
        let kernel = Kernel::get();
        let places: Vec<(usize, usize)> = places.collect();
        let look = |&place: &(usize, usize)| {
            let tile = Tile::cut(&self.reference.pixels, place, size, levels);
            tile.find(&self.frame.pixels, map, kernel)
        };
        places.par_iter().map(look).collect()
    }
}

/// True if the tile lies within half a pixel of where the map puts it, or within three times its own uncertainty, which
/// along an edge is large.
fn agrees(map: &Transform, m: &Match) -> bool {
    let [xx, xy, yy] = m.covariance.map(|v| 9.0 * v);
    let own = AGREES * AGREES;
    let allowed = Matrix2::new(xx + own, xy, xy, yy + own).try_inverse();
    let off = residual(map, m).zip(allowed);
    // It was not looked for farther off.
    off.is_some_and(|(r, allowed)| (r.transpose() * allowed * r)[(0, 0)] < 1.0 && r.norm() < REACH)
}

fn judge(fit: &Fit, matches: &[Match], seen: usize, extent: Extent) -> Option<Placement> {
    let agree = matches.iter().filter(|m| agrees(&fit.map, m)).count();
    let enough =
        agree >= LEAST && agree as f64 >= AGREEING * matches.len() as f64 && 3 * agree >= seen;
    if !enough || fit.uncertainty > 0.5 {
        return None;
    }
    placement(fit, matches, extent)
}

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
                used: weight > 0.25,
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
