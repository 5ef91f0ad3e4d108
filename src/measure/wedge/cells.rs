//! Geometry of the steps of a wedge: the grid through four corners, and whether it can be measured.
use stopspan_core::model::{Homography, UNIT_SQUARE, distance, is_convex_page, shortest_side};
use stopspan_core::raster::{Point, Quad};
use stopspan_core::results::{UnitCell, WedgePlace};
use stopspan_core::{Error, Setting};

/// Shortest side of a cell, pixels; its interior is then at least 4 x 4 pixels.
const SMALLEST_CELL: f64 = 8.0;
/// Share of each side of a cell that is measured.
const INTERIOR: f64 = 0.5;

/// A wedge with given corners. Falling densities mean that the darkest step comes first.
///
/// # Errors
/// Corners that cross or are not clockwise, more densities than patches, or patches too small.
pub fn place(
    corners: Quad,
    (rows, columns): (usize, usize),
    densities: Option<Vec<f64>>,
) -> Result<WedgePlace, Error> {
    let dark_first = densities
        .as_ref()
        .is_some_and(|d| d.len() > 1 && d[0] > d[d.len() - 1]);
    let place = WedgePlace {
        corners,
        rows,
        columns,
        densities,
        density_uncertainty: None,
        dark_first,
        boustrophedon: false,
        confidence: None,
    };
    check_shape(&place)?;
    Ok(place)
}

/// Checks that a wedge can be measured in a picture of `rows` x `columns` pixels with its geometry.
///
/// # Errors
/// Corners outside or crossing, cells too small, or a wrong number of densities.
pub fn check(place: &WedgePlace, rows: usize, columns: usize) -> Result<(), Error> {
    check_shape(place)?;
    const BEYOND: f64 = 1.0;
    let inside = |p: &Point| {
        (-BEYOND..=columns as f64 + BEYOND).contains(&p.x)
            && (-BEYOND..=rows as f64 + BEYOND).contains(&p.y)
    };
    match place.corners.iter().find(|p| !inside(p)) {
        None => Ok(()),
        Some(p) => Err(Error::request(
            Setting::WedgeCorners,
            format!(
                "the corner {:.1},{:.1} lies outside the reference frame of {columns} x {rows} pixels; \
                 the whole wedge must be in the picture",
                p.x, p.y
            ),
        )),
    }
}

fn check_shape(place: &WedgePlace) -> Result<(), Error> {
    if place
        .corners
        .iter()
        .any(|p| !p.x.is_finite() || !p.y.is_finite())
    {
        return Err(Error::request(
            Setting::WedgeCorners,
            "a corner is not a finite number",
        ));
    }
    if !is_convex_page(&place.corners) {
        return Err(Error::request(
            Setting::WedgeCorners,
            "the corners cross, lie on a line, or do not run clockwise; \
             give top-left, top-right, bottom-right, bottom-left",
        ));
    }
    let cells = place.rows * place.columns;
    if cells < 2 {
        return Err(Error::request(
            Setting::WedgeGrid,
            "a wedge has at least two patches",
        ));
    }
    if let Some(d) = place
        .densities
        .as_ref()
        .filter(|d| d.len() > cells || d.len() < 2)
    {
        let problem = format!("{} densities for a grid of {cells} patches", d.len());
        return Err(Error::request(Setting::WedgeDensities, problem));
    }
    let side = smallest_cell(place);
    if side < SMALLEST_CELL {
        let problem = format!(
            "the smallest patch has a side of {side:.1} pixels; {SMALLEST_CELL} are needed"
        );
        return Err(Error::request(Setting::WedgeCorners, problem));
    }
    Ok(())
}

/// Shortest side of any cell, pixels; 0 for degenerate corners.
fn smallest_cell(place: &WedgePlace) -> f64 {
    let Some(map) = Homography::between(&UNIT_SQUARE, &place.corners) else {
        return 0.0;
    };
    (0..place.rows * place.columns)
        .map(|i| shortest_side(&map.map_quad(&shrunk(place.unit_cell(i), 1.0))))
        .fold(f64::INFINITY, f64::min)
}

/// The central part of a cell, `share` of each side, as a quadrilateral.
fn shrunk(cell: UnitCell, share: f64) -> Quad {
    UNIT_SQUARE.map(|p| Point {
        x: cell.left + cell.width * (0.5 + share * (p.x - 0.5)),
        y: cell.top + cell.height * (0.5 + share * (p.y - 0.5)),
    })
}

/// The measured interior of step `step` (1 = lightest): the central half of its cell in each direction, clear of blur, gaps
/// and borders. It is in pixels of the picture that `placement` maps reference-frame pixels to. `None` for degenerate
/// geometry.
pub fn interior_of(place: &WedgePlace, step: usize, placement: &Homography) -> Option<Quad> {
    let map = Homography::between(&UNIT_SQUARE, &place.corners)?.then(placement);
    let quad = map.map_quad(&shrunk(place.unit_cell(place.position_of(step)), INTERIOR));
    quad.iter()
        .all(|p| p.x.is_finite() && p.y.is_finite())
        .then_some(quad)
}

/// Width and height of step `step` (the shorter of opposite sides), and the smallest distance of its interior from its
/// edge, in pixels of the picture that `placement` maps to. `None` for degenerate geometry.
pub(super) fn size_of(
    place: &WedgePlace,
    step: usize,
    placement: &Homography,
) -> Option<([f64; 2], f64)> {
    let map = Homography::between(&UNIT_SQUARE, &place.corners)?.then(placement);
    let q = map.map_quad(&shrunk(place.unit_cell(place.position_of(step)), 1.0));
    let side = |a: usize, b: usize| distance(q[a], q[b]);
    let size = [side(0, 1).min(side(2, 3)), side(1, 2).min(side(3, 0))];
    let guard = (1.0 - INTERIOR) / 2.0 * size[0].min(size[1]);
    guard.is_finite().then_some((size, guard))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn corners(v: [f64; 8]) -> Quad {
        [0, 2, 4, 6].map(|i| Point {
            x: v[i],
            y: v[i + 1],
        })
    }

    #[test]
    fn cells_follow_the_stated_order() {
        let square = corners([0.0, 0.0, 90.0, 0.0, 90.0, 60.0, 0.0, 60.0]);
        let mut wedge = place(square, (2, 3), Some(vec![0.5, 0.4, 0.3, 0.2, 0.1])).unwrap();
        assert!(wedge.dark_first);
        assert_eq!(
            (wedge.steps(), wedge.position_of(1), wedge.density_of(1)),
            (5, 4, Some(0.1))
        );
        let q = interior_of(&wedge, 1, &Homography::identity()).unwrap();
        let near = |a: f64, b: f64| (a - b).abs() < 1e-9;
        assert!(
            near(q[0].x, 37.5) && near(q[0].y, 37.5) && near(q[2].x, 52.5) && near(q[2].y, 52.5)
        );
        wedge.boustrophedon = true;
        let q = interior_of(&wedge, 2, &Homography::identity()).unwrap();
        assert!(near(q[0].x, 67.5));
    }

    #[test]
    fn refuses_what_cannot_be_measured() {
        let tries = [
            (
                corners([0.0, 0.0, 90.0, 60.0, 90.0, 0.0, 0.0, 60.0]),
                "cross",
            ),
            (
                corners([0.0, 0.0, 0.0, 60.0, 90.0, 60.0, 90.0, 0.0]),
                "clockwise",
            ),
            (
                corners([0.0, 0.0, 9.0, 0.0, 9.0, 60.0, 0.0, 60.0]),
                "3.0 pixels",
            ),
            (corners([0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0]), "line"),
        ];
        for (c, word) in tries {
            let e = place(c, (1, 3), None).unwrap_err().to_string();
            assert!(e.contains(word), "{e}");
        }
        let half_out = corners([50.0, 0.0, 140.0, 0.0, 140.0, 60.0, 50.0, 60.0]);
        let wedge = place(half_out, (1, 3), None).unwrap();
        assert!(
            check(&wedge, 100, 100)
                .unwrap_err()
                .to_string()
                .contains("140.0,0.0")
        );
        assert!(check(&wedge, 100, 200).is_ok());
    }
}
