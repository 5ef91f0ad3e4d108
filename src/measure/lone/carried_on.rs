//! A wedge whose ends run together: found as far as its steps differ, and carried on over the rest of them.
//!
//! A single shot may show the lightest steps of a wedge as one white and the darkest as one black. The steps that were found
//! give the grid. Clipped patches that continue it, with something darker beside them, are steps. At the dark end a list of
//! densities, or another picture of the same run, gives the number of steps.
use crate::locate::{Located, WedgeRequest};
use crate::wedge;
use stopspan_core::Error;
use stopspan_core::finding::Finding;
use stopspan_core::model::{Homography, RadianceMap, UNIT_SQUARE};
use stopspan_core::raster::{Point, Quad};
use stopspan_core::results::{PictureMeasurement, WedgePlace};

/// Most that a step carried on may be lighter than the one before it, a factor of light.
const LIGHTER: f32 = 1.1;
/// ... and beyond that, for noise in the dark, as a share of the light that clips.
const LEAST: f32 = 1e-3;

type Locate = fn(&RadianceMap, &WedgeRequest) -> Result<Located, Error>;

/// Most clipped steps that are looked for.
const MOST_CLIPPED: usize = 12;
/// Share of the examined pixels of a cell from which it counts as clipped.
const ALL: f64 = 0.9;

/// A picture in linear light, and the light at which it clips.
pub(super) struct Light<'a> {
    pub map: &'a RadianceMap,
    pub top: f32,
}

/// The wedge as [`locate`](crate::locate) finds it, carried on at both ends: over clipped steps beyond the lightest, and beyond the
/// darkest to the steps that a list of densities, or another picture of the run, says it has.
pub(super) fn located(
    locate: Locate,
    light: &Light,
    request: &WedgeRequest,
) -> Result<Located, Error> {
    let first = locate(light.map, request)?;
    if request.none || request.corners.is_some() || request.grid.is_some() {
        return Ok(first);
    }
    let bare = WedgeRequest {
        densities: None,
        density_uncertainty: None,
        ..request.clone()
    };
    let seen = match &first.place {
        None => locate(light.map, &bare)?.place,
        seen => seen.clone(),
    };
    let Some(seen) = seen else {
        return Ok(first);
    };
    let listed = request.least_steps().max(request.steps_of_run.unwrap_or(0));
    let lighter = light.clipped_beyond(&seen);
    let longer = longer(&seen, Ends { lighter, darker: 0 }).unwrap_or(seen);
    let have = longer.rows * longer.columns;
    let per = if longer.rows == 1 { 1 } else { longer.columns };
    let darker = listed.saturating_sub(have).div_ceil(per);
    let place = match light.darker_steps(&longer, darker) {
        Some(place) => place,
        None if lighter > 0 && have >= listed => longer,
        None => return Ok(first),
    };
    if lighter + darker == 0 {
        return Ok(first);
    }
    let stated = WedgeRequest {
        corners: Some(place.corners),
        grid: Some((place.rows, place.columns)),
        dark_first: place.dark_first,
        boustrophedon: place.boustrophedon,
        ..request.clone()
    };
    let mut found = locate(light.map, &stated)?;
    if let Some(found) = &mut found.place {
        found.confidence = place.confidence;
    }
    found.counted = first.counted;
    found.findings.push(Finding::WedgeCarriedOn {
        steps: place.rows * place.columns,
        lighter: lighter * per,
        darker: darker * per,
    });
    Ok(found)
}

/// Rows (of a wedge of one row: columns) of patches to be added at the ends.
#[derive(Clone, Copy)]
struct Ends {
    lighter: usize,
    darker: usize,
}

/// The place with further rows of patches at its ends; `None` where it is not the page of a wedge.
fn longer(short: &WedgePlace, ends: Ends) -> Option<WedgePlace> {
    let across = short.rows == 1;
    let have = if across { short.columns } else { short.rows };
    let (before, after) = match short.dark_first {
        true => (ends.darker, ends.lighter),
        false => (ends.lighter, ends.darker),
    };
    if short.boustrophedon && before % 2 == 1 {
        // The first row would have to run backwards, which a place does not say.
        return None;
    }
    let from = -(before as f64) / have as f64;
    let to = 1.0 + after as f64 / have as f64;
    let along = |v: f64| from + v * (to - from);
    let page = Homography::between(&UNIT_SQUARE, &short.corners)?;
    let corners: Quad = UNIT_SQUARE.map(|p| {
        page.map(match across {
            true => Point {
                x: along(p.x),
                y: p.y,
            },
            false => Point {
                x: p.x,
                y: along(p.y),
            },
        })
    });
    let want = have + before + after;
    Some(WedgePlace {
        corners,
        rows: if across { 1 } else { want },
        columns: if across { want } else { short.columns },
        ..short.clone()
    })
}

impl Light<'_> {
    /// Rows of patches beyond the lightest end that are clipped, while what lies beside them across the wedge is not: as many as
    /// follow each other up to the first that is not clipped.
    fn clipped_beyond(&self, place: &WedgePlace) -> usize {
        let Some(page) = Homography::between(&UNIT_SQUARE, &place.corners) else {
            return 0;
        };
        let across = place.rows == 1;
        let have = if across { place.columns } else { place.rows };
        let at = |k: f64, across_at: f64| {
            let along = match place.dark_first {
                true => 1.0 + k / have as f64,
                false => -k / have as f64,
            };
            page.map(match across {
                true => Point {
                    x: along,
                    y: across_at,
                },
                false => Point {
                    x: across_at,
                    y: along,
                },
            })
        };
        let share = |k: usize, from: f64, to: f64| {
            let points = (0..36).map(|i| {
                let (a, b) = (f64::from(i % 6) / 5.0, f64::from(i / 6) / 5.0);
                at(k as f64 - 0.7 + 0.4 * a, from + (to - from) * b)
            });
            let clipped = points.filter(|p| self.at(*p).is_some_and(|v| v >= self.top));
            clipped.count() as f64 / 36.0
        };
        let step = |k: usize| share(k, 0.25, 0.75) >= ALL;
        let card = |k: usize| share(k, -0.75, -0.35) >= ALL || share(k, 1.35, 1.75) >= ALL;
        (1..=MOST_CLIPPED)
            .take_while(|&k| step(k) && !card(k))
            .count()
    }

    /// Light of the measuring channel at a place; `None` outside the picture.
    fn at(&self, place: Point) -> Option<f32> {
        let plane = self.map.main_radiance();
        (place.x >= 0.0 && place.y >= 0.0)
            .then(|| plane.get((place.y as usize, place.x as usize)).copied())
            .flatten()
    }

    /// The place with `more` rows of patches beyond its darkest; `None` if they would leave the picture, or if one of them is
    /// lighter than the patch before it.
    fn darker_steps(&self, short: &WedgePlace, more: usize) -> Option<WedgePlace> {
        let longer = longer(
            short,
            Ends {
                lighter: 0,
                darker: more,
            },
        )?;
        let (rows, columns, _) = self.map.radiance.dim();
        wedge::check(&longer, rows, columns).ok()?;
        self.falls(&longer, short.rows * short.columns)
            .then_some(longer)
    }

    /// True if no step beyond the first `seen` is lighter than the one before it.
    fn falls(&self, place: &WedgePlace, seen: usize) -> bool {
        let Some(page) = Homography::between(&UNIT_SQUARE, &place.corners) else {
            return false;
        };
        let light = |step: usize| {
            let (x, y) = place.centre_of(step);
            let middle = page.map(Point {
                x: x + 0.5,
                y: y + 0.5,
            });
            let near = (0..25).filter_map(|i| {
                self.at(Point {
                    x: middle.x + f64::from(i % 5) - 2.0,
                    y: middle.y + f64::from(i / 5) - 2.0,
                })
            });
            near.sum::<f32>() / 25.0
        };
        (seen..place.steps()).all(|step| light(step + 1) <= light(step) * LIGHTER + LEAST)
    }
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
