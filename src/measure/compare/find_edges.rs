//! Search for straight edges 2 to 10 degrees off the pixel grid in the merge: long, isolated, with uniform sides.
use super::edge_response::{Line, line};
use super::tone_curve::Curve;
use ndarray::Array2;
use rayon::prelude::*;
use stopspan_core::model::{RadianceMap, main_channel};
use stopspan_core::raster::Region;

/// Window of an edge: pixels along it, and across it.
pub const WINDOW: (usize, usize) = (64, 48);
/// Largest number of pixels of the plane searched; its stride grows with the picture.
const ENOUGH: usize = 800_000;
/// Range of angles against the grid, degrees; ISO 12233 requires about 5.
const DEGREES: (f64, f64) = (2.0, 10.0);
/// Smallest coherence of the gradient in a window, 0..=1.
const COHERENT: f64 = 0.85;
/// Number of windows examined in full.
const CANDIDATES: usize = 60;
/// Largest number of edges returned.
const KEPT: usize = 4;
/// Smallest ratio of the light side to the dark side.
const CONTRAST: f64 = 1.3;
/// Largest standard deviation of a side, relative to the step.
const UNEVEN: f64 = 0.06;

/// An edge in the merge.
#[derive(Debug, Clone, Copy)]
pub struct Found {
    /// Window of the edge, pixels.
    pub region: Region,
    /// True if the edge runs along rows; the window must then be transposed.
    pub lying: bool,
    /// Angle against the grid, degrees.
    pub degrees: f64,
    /// Ratio of the light side to the dark side.
    pub contrast: f64,
}

/// The best edges without overlap.
pub fn find(map: &RadianceMap, curve: Option<&Curve>) -> Vec<Found> {
    let (rows, columns, _) = map.radiance.dim();
    if rows < 2 * WINDOW.0 || columns < 2 * WINDOW.0 {
        return Vec::new();
    }
    let mut windows = candidates(map, curve);
    windows.sort_by(|a, b| {
        b.0.total_cmp(&a.0)
            .then(a.1.top.cmp(&b.1.top))
            .then(a.1.left.cmp(&b.1.left))
    });
    let mut apart: Vec<(Region, bool)> = Vec::new();
    for (_, region, lying) in windows {
        if apart.len() < CANDIDATES && !apart.iter().any(|a| overlap(&a.0, &region)) {
            apart.push((region, lying));
        }
    }
    let mut found: Vec<(f64, Found)> = apart
        .par_iter()
        .filter_map(|&(region, lying)| judge(map, region, lying))
        .collect();
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    found.into_iter().take(KEPT).map(|f| f.1).collect()
}

/// The edge in a window that the user specified, at any angle; `None` without one.
pub fn given(map: &RadianceMap, region: Region) -> Option<Found> {
    [false, true]
        .into_iter()
        .filter_map(|lying| {
            let window = window(map, region, lying)?;
            let line = line(window.view())?;
            let (left, right) = sides(&window, &line)?;
            Some((line, lying, left.0.max(right.0) / left.0.min(right.0)))
        })
        .min_by(|a, b| a.0.slope.abs().total_cmp(&b.0.slope.abs()))
        .map(|(line, lying, contrast)| Found {
            region,
            lying,
            degrees: line.degrees().abs(),
            contrast,
        })
}

/// Windows with a coherent gradient slightly off the grid: (strength, window, lying).
fn candidates(map: &RadianceMap, curve: Option<&Curve>) -> Vec<(f64, Region, bool)> {
    let (rows, columns, channels) = map.radiance.dim();
    let main = main_channel(channels);
    let mut stride = 1;
    while (rows / stride) * (columns / stride) > ENOUGH {
        stride += 1;
    }
    let shown = |r: usize, c: usize| {
        let v = map.radiance[[r * stride, c * stride, main]].max(0.0);
        curve.map_or_else(|| v.min(4.0).powf(0.45), |curve| curve.level(v))
    };
    let plane = Array2::from_shape_fn((rows / stride, columns / stride), |(r, c)| shown(r, c));
    let sums = tensor(&plane);
    let mut out = Vec::new();
    for lying in [false, true] {
        let (high, wide) = if lying { (WINDOW.1, WINDOW.0) } else { WINDOW };
        let (h, w) = (high / stride, wide / stride);
        let hop = (8 / stride).max(1);
        for top in (1..plane.nrows().saturating_sub(h + 1)).step_by(hop) {
            for left in (1..plane.ncols().saturating_sub(w + 1)).step_by(hop) {
                let window = Region {
                    top,
                    left,
                    height: h,
                    width: w,
                };
                let [xx, xy, yy] = sum(&sums, &window);
                if let Some(strength) = promising([xx, xy, yy], lying, (h * w) as f64) {
                    let region = Region {
                        top: top * stride,
                        left: left * stride,
                        height: high,
                        width: wide,
                    };
                    out.push((strength, region, lying));
                }
            }
        }
    }
    out
}

/// Integral image of the products of the gradient components, one row and column larger than the plane.
fn tensor(plane: &Array2<f32>) -> Array2<[f64; 3]> {
    let (rows, columns) = plane.dim();
    let mut sums = Array2::from_elem((rows + 1, columns + 1), [0.0; 3]);
    for r in 0..rows {
        let mut line = [0.0; 3];
        for c in 0..columns {
            if r > 0 && c > 0 && r + 1 < rows && c + 1 < columns {
                let x = f64::from(plane[[r, c + 1]] - plane[[r, c - 1]]);
                let y = f64::from(plane[[r + 1, c]] - plane[[r - 1, c]]);
                line = [line[0] + x * x, line[1] + x * y, line[2] + y * y];
            }
            let above: [f64; 3] = sums[[r, c + 1]];
            sums[[r + 1, c + 1]] = [0, 1, 2].map(|k| above[k] + line[k]);
        }
    }
    sums
}

/// Sum over a region, from the integral image.
fn sum(sums: &Array2<[f64; 3]>, region: &Region) -> [f64; 3] {
    let (top, bottom) = (region.top, region.top + region.height);
    let (left, right) = (region.left, region.left + region.width);
    let (a, b) = (sums[[top, left]], sums[[top, right]]);
    let (c, d) = (sums[[bottom, left]], sums[[bottom, right]]);
    [0, 1, 2].map(|k| d[k] - b[k] - c[k] + a[k])
}

fn promising([xx, xy, yy]: [f64; 3], lying: bool, pixels: f64) -> Option<f64> {
    let total = xx + yy;
    if total / pixels < 2e-5 {
        return None; // an edge of a twentieth of full scale leaves ten times as much
    }
    let coherence = ((xx - yy).powi(2) + 4.0 * xy * xy).sqrt() / total;
    let normal = 0.5 * (2.0 * xy).atan2(xx - yy).to_degrees();
    let off = if lying {
        90.0 - normal.abs()
    } else {
        normal.abs()
    };
    (coherence > COHERENT && (DEGREES.0 - 0.5..DEGREES.1 + 0.5).contains(&off))
        .then(|| coherence.powi(4) * (total / pixels).sqrt())
}

fn overlap(a: &Region, b: &Region) -> bool {
    a.top < b.top + b.height
        && b.top < a.top + a.height
        && a.left < b.left + b.width
        && b.left < a.left + a.width
}

/// The merge's green radiance in a window, transposed if necessary so that columns cross the edge; `None` outside the map.
pub fn window(map: &RadianceMap, region: Region, lying: bool) -> Option<Array2<f64>> {
    let (rows, columns, channels) = map.radiance.dim();
    if region.top + region.height > rows || region.left + region.width > columns {
        return None;
    }
    let cut = map.radiance.slice(ndarray::s![
        region.rows(),
        region.columns(),
        main_channel(channels)
    ]);
    let cut = cut.mapv(f64::from);
    Some(if lying {
        cut.t().as_standard_layout().to_owned()
    } else {
        cut
    })
}

/// Examines a window in full: straight, slanted, isolated, sufficient contrast, uniform sides, edge in the middle.
fn judge(map: &RadianceMap, region: Region, lying: bool) -> Option<(f64, Found)> {
    let first = line(window(map, region, lying)?.view())?;
    let across = if lying { region.height } else { region.width };
    let along = if lying { region.width } else { region.height };
    let middle = first.at + first.slope * along as f64 / 2.0;
    let off = (middle - across as f64 / 2.0).round() as isize;
    let mut region = region;
    let start = if lying {
        &mut region.top
    } else {
        &mut region.left
    };
    *start = start.checked_add_signed(off)?;
    let window = window(map, region, lying)?;
    let line = line(window.view())?;
    let degrees = line.degrees().abs();
    let (left, right) = sides(&window, &line)?;
    let step = (left.0 - right.0).abs();
    let contrast = left.0.max(right.0) / left.0.min(right.0);
    let even = left.1.max(right.1) < UNEVEN * step;
    let good = (DEGREES.0..=DEGREES.1).contains(&degrees)
        && line.residual < 0.25
        && contrast > CONTRAST
        && even
        && left.0.min(right.0) > 0.0;
    // Straight edges with little noise and unevenness relative to the step rank first.
    let rank = step / (left.1.max(right.1) + 0.002 * step) / (1.0 + 4.0 * line.residual);
    good.then_some((
        rank,
        Found {
            region,
            lying,
            degrees,
            contrast,
        },
    ))
}

/// Mean and standard deviation of both sides, more than four pixels from the edge.
fn sides(window: &Array2<f64>, line: &Line) -> Option<((f64, f64), (f64, f64))> {
    let side = |wanted: fn(f64) -> bool| {
        let mut running = stopspan_core::statistics::moments::Running::default();
        for ((y, x), &v) in window.indexed_iter() {
            if wanted(x as f64 + 0.5 - line.at - line.slope * y as f64) {
                running.push(v);
            }
        }
        running.moments().map(|m| (m.mean, m.deviation()))
    };
    Some((side(|d| d < -4.0)?, side(|d| d > 4.0)?))
}
