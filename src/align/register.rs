//! Registers the frames of a bracket: each against the reference frame, and through a neighbour in exposure where that fails.
use super::model::Extent;
use super::pair::{AGREEMENT_RADIUS, Pair};
use super::signal::Small;
use rayon::prelude::*;
use stopspan_core::finding::Finding;
use stopspan_core::model::MotionModel;
use stopspan_core::model::{Bracket, Placement, Registration, TileResidual};
use stopspan_core::raster::{Pixels, Point, Transform};

/// Minimum number of deviating tiles for [`Finding::OutOfRegister`].
const MIN_DEVIATING_TILES: usize = 4;
/// Minimum share, 0..=1, of deviating tiles among the matched tiles for [`Finding::OutOfRegister`].
const MIN_DEVIATING_SHARE: f64 = 0.05;
/// Number of tiles in agreement below which a displacement against the reference frame is doubted, and the way through a neighbour
/// in exposure tried too.
const FEW_TILES: usize = 12;
/// Number of neighbours tried for a frame.
const NEIGHBOURS: usize = 3;
/// Departure of a scale from 1 that is told: 2.5 pixels at the sides of a frame 5000 wide.
const SCALE_TOLD: f64 = 1e-3;
/// Largest displacement of frames that lie still, pixels.
const STILL: f64 = 1.0;

/// What became of a frame: how it is placed, or the reason in words why it is not.
type Placed = Result<Placement, &'static str>;

/// Registers every frame of a bracket against its reference frame. Exposures and response curve need not be known. The result
/// does not depend on the number of threads.
///
/// A frame that shares too little with the reference is registered against the nearest frame in exposure that was found. If that
/// fails too, and all frames that were found lie still, it is placed like that neighbour, unless something in it contradicts that
/// ([`Finding::PlacedLikeNeighbour`]). Otherwise it has `found == false` and a [`Finding::RegistrationFailed`]; the other frames are
/// registered all the same.
pub fn register(bracket: &Bracket) -> Registration {
    let small: Vec<Small> = bracket
        .frames
        .par_iter()
        .map(|frame| Small::new(&frame.picture.pixels))
        .collect();
    let chain = Chain { bracket, small };
    let direct = |j: usize| {
        if j == bracket.reference {
            Ok(Placement::still())
        } else {
            chain.pair(bracket.reference, j).register()
        }
    };
    let mut placed: Vec<Placed> = (0..bracket.frames.len())
        .into_par_iter()
        .map(direct)
        .collect();
    chain.through_neighbours(&mut placed);
    let mut findings = chain.like_neighbours(&mut placed);
    let extent = chain.extent();
    for (frame, result) in bracket.frames.iter().zip(&placed) {
        match result {
            Ok(placement) => {
                findings.extend(displacement_finding(&frame.name(), placement));
                findings.extend(scale_finding(&frame.name(), placement, extent));
                findings.extend(out_of_register_finding(&frame.name(), placement));
                findings.extend(little_finding(&frame.name(), placement));
            }
            Err(reason) => findings.push(Finding::RegistrationFailed {
                frame: frame.name(),
                reason: (*reason).into(),
            }),
        }
    }
    let placements = placed.into_iter();
    Registration {
        placements: placements
            .map(|p| p.unwrap_or_else(|_| Placement::lost()))
            .collect(),
        findings,
    }
}

/// Registers one picture against another of its size by the same criteria as a frame; `None` if no motion can be established.
pub(super) fn register_picture(reference: &Pixels, picture: &Pixels) -> Option<Placement> {
    // Pictures of other sizes are refused before they are reduced.
    if reference.dim() != picture.dim() {
        return None;
    }
    let (fixed, moving) = rayon::join(|| Small::new(reference), || Small::new(picture));
    let pair = Pair {
        reference,
        frame: picture,
        fixed: &fixed,
        moving: &moving,
    };
    pair.register().ok()
}

/// The frames of a bracket in the order of exposure, each with its reduced luma.
struct Chain<'a> {
    bracket: &'a Bracket,
    small: Vec<Small>,
}

impl Chain<'_> {
    fn extent(&self) -> Extent {
        let pixels = &self.bracket.reference_frame().picture.pixels;
        Extent {
            rows: pixels.rows(),
            columns: pixels.columns(),
        }
    }

    /// Frame `j`, to be registered against frame `to`.
    fn pair(&self, to: usize, j: usize) -> Pair<'_> {
        Pair {
            reference: &self.bracket.frames[to].picture.pixels,
            frame: &self.bracket.frames[j].picture.pixels,
            fixed: &self.small[to],
            moving: &self.small[j],
        }
    }

    /// Indices of the frames from the reference outwards, so that neighbours are placed before those beyond them.
    fn outwards(&self) -> Vec<usize> {
        let reference = self.bracket.reference;
        let mut order: Vec<usize> = (0..self.bracket.frames.len()).collect();
        order.sort_by_key(|j| j.abs_diff(reference));
        order.retain(|j| *j != reference);
        order
    }

    /// The nearest frames in exposure to frame `j` that are placed, other than the reference: towards the reference first.
    fn neighbours(&self, placed: &[Placed], j: usize) -> Vec<usize> {
        let reference = self.bracket.reference;
        let inner = |k: &usize| (*k < j) == (reference < j);
        let mut near: Vec<usize> = (0..placed.len())
            .filter(|&k| k != j && k != reference && placed[k].is_ok())
            .collect();
        near.sort_by_key(|k| (k.abs_diff(j), !inner(k)));
        near.truncate(NEIGHBOURS);
        near
    }

    /// Places frames that were not found, or on few tiles only, through a neighbour in exposure.
    fn through_neighbours(&self, placed: &mut [Placed]) {
        for j in self.outwards() {
            let own = placed[j].as_ref().map_or(0, agreeing);
            if own >= FEW_TILES {
                continue;
            }
            let through = |&k: &usize| {
                let step = self.pair(k, j).register().ok()?;
                let base = placed[k].as_ref().ok()?;
                let more = agreeing(&step) > own && agreeing(&step).min(agreeing(base)) > own;
                more.then(|| compose(base, step, self.extent()))?
            };
            if let Some(found) = self.neighbours(placed, j).iter().find_map(through) {
                placed[j] = Ok(found);
            }
        }
    }

    /// Places frames that were not found like their neighbour in exposure, if all frames that were found lie still and nothing
    /// contradicts it.
    fn like_neighbours(&self, placed: &mut [Placed]) -> Vec<Finding> {
        let mut findings = Vec::new();
        let others = |p: &(usize, &Placed)| p.0 != self.bracket.reference;
        let found = placed.iter().enumerate().filter(others);
        let found: Vec<&Placement> = found.filter_map(|(_, p)| p.as_ref().ok()).collect();
        if found.is_empty() || !found.iter().all(|p| lies_still(p, self.extent())) {
            return findings;
        }
        for j in self.outwards() {
            let near = self.neighbours(placed, j).first().copied();
            let (Err(_), Some(k)) = (&placed[j], near) else {
                continue;
            };
            let like = placed[k]
                .as_ref()
                .ok()
                .filter(|_| self.pair(k, j).may_lie_still());
            if let Some(like) = like.cloned() {
                placed[j] = Ok(Placement {
                    residual: None,
                    tiles: Vec::new(),
                    ..like
                });
                findings.push(Finding::PlacedLikeNeighbour {
                    frame: self.bracket.frames[j].name(),
                    neighbour: self.bracket.frames[k].name(),
                });
            }
        }
        findings
    }
}

/// Number of tiles that took part in the fit.
fn agreeing(placement: &Placement) -> usize {
    placement.tiles.iter().filter(|t| t.used).count()
}

/// True if no part of the frame between its quarters is displaced by more than [`STILL`].
fn lies_still(placement: &Placement, extent: Extent) -> bool {
    let (x, y) = (extent.columns as f64, extent.rows as f64);
    [0.25, 0.5, 0.75].iter().all(|u| {
        [0.25, 0.5, 0.75].iter().all(|v| {
            let at = Point { x: u * x, y: v * y };
            let to = placement.transform.apply(at);
            to.is_some_and(|to| (to.x - at.x).hypot(to.y - at.y) <= STILL)
        })
    })
}

/// The placement of a frame that is placed by `step` against a frame that is placed by `base`. `None` where the transforms have no
/// product.
fn compose(base: &Placement, step: Placement, extent: Extent) -> Option<Placement> {
    let transform = step.transform.after(&base.transform);
    let back = base.transform.inverse()?;
    let tile = |tile: TileResidual| {
        Some(TileResidual {
            at: back.apply(tile.at)?,
            ..tile
        })
    };
    let whole = transform.whole_pixels();
    let model = match whole {
        Some((0, 0)) => MotionModel::Identity,
        Some(_) => MotionModel::WholePixels,
        None => base.model.max(step.model).max(MotionModel::Shift),
    };
    Some(Placement {
        model,
        transform,
        found: true,
        movement: transform.movement(extent.centre())?,
        standard_uncertainty: base.standard_uncertainty.hypot(step.standard_uncertainty),
        residual: step.residual,
        tiles: step.tiles.into_iter().filter_map(tile).collect(),
    })
}

/// True if every registered frame has its corners within `tolerance` pixels of those of the reference frame. Frames that could
/// not be registered are ignored.
pub fn in_register(bracket: &Bracket, registration: &Registration, tolerance: f64) -> bool {
    let (rows, columns, _) = bracket.reference_frame().picture.pixels.dim();
    let near = |p: &Placement| farthest_corner(&p.transform, (rows, columns)) <= tolerance;
    registration.placements.iter().all(|p| !p.found || near(p))
}

/// Largest distance by which a transform moves a corner of a picture of this size (rows, columns), pixels; infinite where it maps
/// one to nowhere.
pub fn farthest_corner(transform: &Transform, (rows, columns): (usize, usize)) -> f64 {
    let corners = [(0, 0), (0, columns), (rows, 0), (rows, columns)];
    let moved = corners.map(|(row, column)| {
        let (x, y) = (column as f64, row as f64);
        let at = transform.apply(Point { x, y });
        at.map_or(f64::INFINITY, |p| (p.x - x).hypot(p.y - y))
    });
    moved.into_iter().fold(0.0, f64::max)
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

/// A [`Finding::Enlarged`] if the scale differs from the reference frame's by more than [`SCALE_TOLD`]. A homography has no one scale.
fn scale_finding(frame: &str, placement: &Placement, extent: Extent) -> Option<Finding> {
    let scale = placement.transform.scale(extent.centre())?;
    let told = placement.model == MotionModel::Similarity && (scale - 1.0).abs() > SCALE_TOLD;
    told.then(|| Finding::Enlarged {
        frame: frame.into(),
        scale,
    })
}

/// A [`Finding::AlignedByLittle`] if the place of a frame rests on few tiles and is known less well than to [`AGREEMENT_RADIUS`].
fn little_finding(frame: &str, placement: &Placement) -> Option<Finding> {
    let areas = agreeing(placement);
    let unsure = placement.standard_uncertainty > AGREEMENT_RADIUS;
    (unsure && areas > 0 && areas < FEW_TILES).then(|| Finding::AlignedByLittle {
        frame: frame.into(),
        areas,
        standard_uncertainty_px: placement.standard_uncertainty,
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
