//! A wedge whose darkest steps run into black: found as far as they differ, and carried on to the number of steps that is known.
//!
//! A single shot may show the darkest steps of a wedge as one black. The steps that were found give the grid, and a list of
//! densities or another picture of the same run the number of steps: the rest lies where the grid goes on, beyond the darkest.
use crate::locate::{Located, WedgeRequest};
use crate::wedge;
use stopspan_core::Error;
use stopspan_core::finding::Finding;
use stopspan_core::model::{Homography, RadianceMap, UNIT_SQUARE};
use stopspan_core::raster::{Point, Quad};
use stopspan_core::results::{PictureMeasurement, WedgePlace};

/// Most that a step carried on may be lighter than the one before it, a factor of light.
const LIGHTER: f32 = 1.1;

type Locate = fn(&RadianceMap, &WedgeRequest) -> Result<Located, Error>;

/// The wedge as [`locate`](crate::locate) finds it, carried on beyond its darkest step to the steps that a list of densities, or
/// another picture of the run, says it has.
pub(super) fn located(
    locate: Locate,
    map: &RadianceMap,
    request: &WedgeRequest,
) -> Result<Located, Error> {
    let first = locate(map, request)?;
    let listed = request.least_steps().max(request.steps_of_run.unwrap_or(0));
    if request.corners.is_some() || request.grid.is_some() || listed == 0 {
        return Ok(first);
    }
    let bare = WedgeRequest {
        densities: None,
        density_uncertainty: None,
        ..request.clone()
    };
    let short = match first.place {
        Some(ref place) if place.rows * place.columns >= listed => return Ok(first),
        Some(ref place) => Some(place.clone()),
        None => locate(map, &bare)?.place,
    };
    let Some(place) = short.and_then(|short| carried_on(map, &short, listed)) else {
        return Ok(first);
    };
    let steps = place.rows * place.columns;
    let stated = WedgeRequest {
        corners: Some(place.corners),
        grid: Some((place.rows, place.columns)),
        dark_first: place.dark_first,
        boustrophedon: place.boustrophedon,
        ..request.clone()
    };
    let mut found = locate(map, &stated)?;
    found.findings.push(Finding::WedgeCarriedOn { steps });
    Ok(found)
}

/// The place with a row or column of patches more for every one that is missing at its dark end; `None` if they would leave the
/// picture, or if what lies there is no darker.
fn carried_on(map: &RadianceMap, short: &WedgePlace, steps: usize) -> Option<WedgePlace> {
    let across = short.rows == 1;
    let (have, per) = match across {
        true => (short.columns, 1),
        false => (short.rows, short.columns),
    };
    let want = steps.div_ceil(per);
    let more = (want as f64 - have as f64) / have as f64;
    let (from, to) = match short.dark_first {
        true => (-more, 1.0),
        false => (0.0, 1.0 + more),
    };
    let page = Homography::between(&UNIT_SQUARE, &short.corners)?;
    let place = |p: &Point| match across {
        true => Point {
            x: from + p.x * (to - from),
            y: p.y,
        },
        false => Point {
            x: p.x,
            y: from + p.y * (to - from),
        },
    };
    let corners: Quad = UNIT_SQUARE.map(|p| page.map(place(&p)));
    let longer = WedgePlace {
        corners,
        rows: if across { 1 } else { want },
        columns: if across { want } else { short.columns },
        ..short.clone()
    };
    let (rows, columns, _) = map.radiance.dim();
    wedge::check(&longer, rows, columns).ok()?;
    falls(map, &longer, short.rows * short.columns).then_some(longer)
}

/// True if no step beyond the first `seen` is lighter than the one before it.
fn falls(map: &RadianceMap, place: &WedgePlace, seen: usize) -> bool {
    let Some(page) = Homography::between(&UNIT_SQUARE, &place.corners) else {
        return false;
    };
    let light = |step: usize| {
        let (x, y) = place.centre_of(step);
        let at = page.map(Point {
            x: x + 0.5,
            y: y + 0.5,
        });
        let (row, column) = (at.y as usize, at.x as usize);
        let around = map.main_radiance();
        let near = ndarray::s![
            row.saturating_sub(2)..(row + 3).min(around.nrows()),
            column.saturating_sub(2)..(column + 3).min(around.ncols())
        ];
        around.slice(near).mean().unwrap_or(0.0)
    };
    (seen..place.steps()).all(|step| light(step + 1) <= light(step) * LIGHTER + 1e-3)
}

/// Counts the resolved steps out of as many as another picture of the run shows, where those are more.
pub(super) fn share_steps(
    measured: &mut PictureMeasurement,
    of_run: Option<usize>,
    findings: &mut Vec<Finding>,
) {
    let Some((levels, seen)) = measured.levels.as_mut().zip(of_run) else {
        return;
    };
    let steps = levels.steps;
    if steps < seen {
        (levels.steps, levels.chart_limited) = (seen, false);
        let limited = |f: &Finding| matches!(f, Finding::ChartLimited { .. });
        measured.findings.retain(|f| !limited(f));
        findings.push(Finding::WedgeSeenFurther { steps, seen });
    }
}
