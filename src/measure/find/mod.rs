//! Search for a wedge in a picture.
//!
//! In reading order: the picture reduced and in log2 (`shrink`), its connected regions (`regions`), the flat patches among
//! them (`flat`), chains of patches (`seeds`), the lattice they lie on (`lattice`), the wedge on it and the order of its
//! steps (`order`), whether light falls in steps there or runs on (`continuity`), its steps beyond
//! those found (`tails`) and its further columns (`columns`), its doubtful ends (`ends`), and corners from edges (`edges`) in profiles across the sides (`profile`).
use stopspan_core::results::CONFIDENT;
mod columns;
mod continuity;
mod edges;
mod ends;
mod flat;
mod lattice;
mod order;
mod profile;
mod regions;
mod seeds;
mod shrink;
mod tails;

use edges::PatchGrid;
use ndarray::{ArrayRef2, ArrayRef3, Axis};
use order::Ordered;
use rayon::prelude::*;
use shrink::ReducedPicture;
use stopspan_core::finding::WedgeEnd;
use stopspan_core::model::{Homography, UNIT_SQUARE, main_channel};
use stopspan_core::raster::{Point, Quad};
use stopspan_core::results::WedgePlace;

/// Smallest number of steps of a wedge.
pub(crate) const FEWEST_STEPS: usize = 6;
/// Margin by which a first wedge is taken out beyond its corners, as a share of its length and height.
const MARGIN: f64 = 0.1;
/// Longest side of the pictures searched, pixels, coarse to fine; the last is the full size.
const SIDES: [usize; 3] = [1000, 2000, usize::MAX];

/// Finds a wedge: one row, one column or a grid of grey patches. `luminance` is linear luminance (or green) of the merge or
/// of a frame, on any positive scale, shape (rows, columns). Patches may be from about 12 pixels a side, rotated by up to
/// 20 degrees, touching or apart, falling or rising in light row by row or in alternating directions.
///
/// The result has a confidence, 0..=1, from the number of steps, the regularity of spacing and the evenness of the steps in
/// log radiance. `None` if it is below [`CONFIDENT`].
pub fn find_wedge(luminance: &ArrayRef2<f32>) -> Option<WedgePlace> {
    candidate(luminance)
        .map(|found| found.place)
        .filter(|place| place.confidence.is_some_and(|c| c >= CONFIDENT))
}

/// A wedge candidate.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// Its location, with its confidence.
    pub place: WedgePlace,
    /// Ends beyond which it may continue; empty where both are certain.
    pub ends: Vec<WedgeEnd>,
}

impl Candidate {
    fn surer_than(&self, other: Option<&Candidate>) -> bool {
        other.is_none_or(|o| self.place.confidence > o.place.confidence)
    }
}

/// The best candidate of any confidence, for example to show to a person; `None` without any.
pub fn candidate(luminance: &ArrayRef2<f32>) -> Option<Candidate> {
    candidate_of(luminance, None)
}

/// The best candidate in a picture of `radiance`, shape (rows, columns, channels). With red, green and blue all steps must be of one
/// colour, and patches of other colours beside them count for nothing: the row of greys of a colour chart is found.
pub fn candidate_in_colour(radiance: &ArrayRef3<f32>) -> Option<Candidate> {
    let channel = |k: usize| radiance.index_axis(Axis(2), k);
    match radiance.dim().2 {
        0 => None,
        3 => candidate_of(&channel(1), Some([&channel(0), &channel(2)])),
        channels => candidate(&channel(main_channel(channels))),
    }
}

/// A second wedge: the surest one in a reduced picture from which the first is taken out, if it is sure enough to be measured.
pub fn another(radiance: &ArrayRef3<f32>, first: &Quad) -> Option<WedgePlace> {
    let mut without = radiance.to_owned();
    let (rows, columns, _) = without.dim();
    let page = Homography::between(first, &UNIT_SQUARE)?;
    let inside = |v: f64| (-MARGIN..=1.0 + MARGIN).contains(&v);
    let grey = radiance.mean().unwrap_or(0.0);
    for ((row, column, _), value) in without.indexed_iter_mut() {
        let at = page.map(Point {
            x: column as f64 + 0.5,
            y: row as f64 + 0.5,
        });
        if inside(at.x) && inside(at.y) {
            *value = grey;
        }
    }
    let channel = |k: usize| without.index_axis(Axis(2), k);
    let main = channel(main_channel(without.dim().2));
    let colours = (without.dim().2 == 3).then(|| [channel(0), channel(2)]);
    let colour = colours.as_ref().map(|[red, blue]| [&**red, &**blue]);
    let factor = rows.max(columns).div_ceil(SIDES[0]).max(1);
    at_scale(&main, colour, factor)
        .map(|found| found.place)
        .filter(|place| place.confidence >= Some(CONFIDENT))
}

/// Red and blue beside a luminance.
type Colour<'a> = Option<[&'a ArrayRef2<f32>; 2]>;

fn candidate_of(luminance: &ArrayRef2<f32>, colour: Colour) -> Option<Candidate> {
    let longest = luminance.nrows().max(luminance.ncols());
    let mut best: Option<Candidate> = None;
    let mut last_factor = 0;
    for side in SIDES {
        let factor = longest.div_ceil(side).max(1);
        if factor == last_factor {
            continue;
        }
        last_factor = factor;
        if let Some(found) = at_scale(luminance, colour, factor)
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

fn at_scale(luminance: &ArrayRef2<f32>, colour: Colour, factor: usize) -> Option<Candidate> {
    let mut small = ReducedPicture::of(luminance, factor);
    if let Some(colour) = colour {
        small = small.with_colour(colour);
    }
    if small.log.is_empty() {
        return None;
    }
    let patches = flat::patches(&small);
    let mut ordered: Vec<Ordered> = seeds::lattices(&patches)
        .par_iter()
        .filter_map(|lattice| order::ordered(&lattice.carried_on(&small)?, &small))
        .collect();
    ordered.sort_by(|a, b| b.confidence.total_cmp(&a.confidence));
    let mut best: Option<Candidate> = None;
    for lattice in &ordered {
        // Refinement can only lower the confidence.
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

/// An ordered lattice with corners refined at full size, and its confidence.
fn finished(
    luminance: &ArrayRef2<f32>,
    small: &ReducedPicture,
    ordered: &Ordered,
) -> Option<Candidate> {
    let coarse = ordered.map.then(&small.to_full()?);
    let refined = edges::refined(
        luminance,
        &coarse,
        PatchGrid {
            rows: ordered.rows,
            columns: ordered.columns,
            fill: ordered.fill,
        },
    );
    let extent = tails::carried_on(luminance, &refined.map, ordered);
    let whole = ordered.carried_on(extent);
    let map = starting_at(&refined.map, extent.first);
    let place = WedgePlace {
        corners: corners_of(&map, whole.rows, whole.columns),
        rows: whole.rows,
        columns: whole.columns,
        densities: None,
        density_uncertainty: None,
        dark_first: ordered.dark_first,
        boustrophedon: whole.boustrophedon,
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
        ends: ends::doubts(small, &whole),
    })
}

/// A map whose first cell is another one of the lattice, by column and row.
fn starting_at(map: &Homography, (column, row): (i32, i32)) -> Homography {
    let (x, y) = (f64::from(column), f64::from(row));
    let shift = [[1.0, 0.0, x], [0.0, 1.0, y], [0.0, 0.0, 1.0]];
    Homography::of_rows(shift).map_or(*map, |shift| shift.then(map))
}

/// Outer corners of a lattice of unit cells.
fn corners_of(map: &Homography, rows: usize, columns: usize) -> Quad {
    UNIT_SQUARE.map(|p| {
        map.map(Point {
            x: p.x * columns as f64,
            y: p.y * rows as f64,
        })
    })
}
