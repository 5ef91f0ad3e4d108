//! Finding a wedge in a picture, in reading order: the picture made small and logarithmic, its connected flat regions, the patches among them, the lattice
//! they lie on, the order of its steps, cells carried on beyond what was seen, the ends, corners by
//! edges in profiles of light.
use stopspan_core::results::CONFIDENT;
mod edges;
mod ends;
mod flat;
mod lattice;
mod order;
mod profile;
mod regions;
mod seeds;
mod shrink;

use ndarray::ArrayRef2;
use order::Ordered;
use rayon::prelude::*;
use shrink::Small;
use stopspan_core::finding::WedgeEnd;
use stopspan_core::model::{Homography, UNIT_SQUARE};
use stopspan_core::raster::{Point, Quad};
use stopspan_core::results::WedgePlace;

/// Fewest steps that are taken for a wedge.
pub(crate) const FEWEST_STEPS: usize = 6;
/// Longest side of the pictures looked at, pixels, coarse to fine; the last is the full size.
const SIDES: [usize; 3] = [1000, 2000, usize::MAX];

/// Looks for one row, one column or a grid of gray patches in a picture: linear luminance (or green) of the merge or of a
/// frame, any positive scale, shape (rows, columns). Patches from about 12 pixels a side, rotated up to 20 degrees, touching
/// or apart, falling or rising in light row by row or to and fro.
///
/// The place comes with a confidence 0..=1 from number of steps, evenness of spacing and evenness of the steps in log
/// radiance; `None` where nothing reaches [`CONFIDENT`].
pub fn find_wedge(luminance: &ArrayRef2<f32>) -> Option<WedgePlace> {
    candidate(luminance)
        .map(|found| found.place)
        .filter(|place| place.confidence.is_some_and(|c| c >= CONFIDENT))
}

/// Something like a wedge.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// Where it lies, with its confidence.
    pub place: WedgePlace,
    /// Ends beyond which it may go on; empty where it surely ends.
    pub ends: Vec<WedgeEnd>,
}

impl Candidate {
    fn surer_than(&self, other: Option<&Candidate>) -> bool {
        other.is_none_or(|o| self.place.confidence > o.place.confidence)
    }
}

/// The best candidate, however doubtful; for showing it to a person. `None` if there is none at all.
pub fn candidate(luminance: &ArrayRef2<f32>) -> Option<Candidate> {
    let longest = luminance.nrows().max(luminance.ncols());
    let mut best: Option<Candidate> = None;
    let mut last_factor = 0;
    for side in SIDES {
        let factor = longest.div_ceil(side).max(1);
        if factor == last_factor {
            continue;
        }
        last_factor = factor;
        if let Some(found) = at_scale(luminance, factor)
            && found.surer_than(best.as_ref())
        {
            best = Some(found);
        }
        if best
            .as_ref()
            .is_some_and(|b| b.place.confidence >= Some(0.8))
        {
            break;
        }
    }
    best
}

fn at_scale(luminance: &ArrayRef2<f32>, factor: usize) -> Option<Candidate> {
    let small = Small::of(luminance, factor);
    if small.log.is_empty() {
        return None;
    }
    let patches = flat::patches(&small);
    let mut ordered: Vec<Ordered> = seeds::lattices(&patches)
        .par_iter()
        .filter_map(|lattice| order::ordered(&lattice.carried_on(&small)?))
        .collect();
    ordered.sort_by(|a, b| b.confidence.total_cmp(&a.confidence));
    let mut best: Option<Candidate> = None;
    for lattice in &ordered {
        // The edges can only take from the confidence.
        if best
            .as_ref()
            .is_some_and(|b| b.place.confidence >= Some(lattice.confidence))
        {
            break;
        }
        if let Some(found) = finished(luminance, &small, lattice)
            && found.surer_than(best.as_ref())
        {
            best = Some(found);
        }
    }
    best
}

/// A lattice put in order, its corners refined at full size and its confidence judged.
fn finished(luminance: &ArrayRef2<f32>, small: &Small, ordered: &Ordered) -> Option<Candidate> {
    let coarse = ordered.map.then(&small.to_full()?);
    let refined = edges::refined(
        luminance,
        &coarse,
        (ordered.rows, ordered.columns),
        ordered.fill,
    );
    let corners = corners_of(&refined.map, ordered.rows, ordered.columns);
    let place = WedgePlace {
        corners,
        rows: ordered.rows,
        columns: ordered.columns,
        densities: None,
        density_uncertainty: None,
        dark_first: ordered.dark_first,
        boustrophedon: ordered.boustrophedon,
        confidence: Some(ordered.confidence * refined.share_of_edges.min(0.5) * 2.0),
    };
    let inside = |p: &Point| {
        (-1.0..=luminance.ncols() as f64 + 1.0).contains(&p.x)
            && (-1.0..=luminance.nrows() as f64 + 1.0).contains(&p.y)
    };
    let sound =
        stopspan_core::model::is_convex_page(&place.corners) && place.corners.iter().all(inside);
    sound.then(|| Candidate {
        place,
        ends: ends::doubts(small, ordered),
    })
}

/// Outer corners of a lattice of cells of side 1.
fn corners_of(map: &Homography, rows: usize, columns: usize) -> Quad {
    UNIT_SQUARE.map(|p| {
        map.map(Point {
            x: p.x * columns as f64,
            y: p.y * rows as f64,
        })
    })
}
