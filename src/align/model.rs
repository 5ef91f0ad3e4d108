//! From matched tiles to a motion: robust fits of nested models, and the simplest one the tiles support.
use super::tile::Match;
use nalgebra::{DMatrix, DVector, Matrix2, Vector2};
use stopspan_core::model::MotionModel;
use stopspan_core::raster::{Point, Transform};

/// A movement smaller than this many pixels (root mean square over the tiles) beside whole pixels is not worth
/// interpolating for.
const NOT_WORTH: f64 = 0.05;
/// Standard deviation added to every tile's own, pixels: what aliasing and compression do to the best of tiles.
const TILE_FLOOR: f64 = 0.003;
/// Gauss-Newton steps of a fit.
const STEPS: usize = 30;

/// A fitted motion.
#[derive(Debug, Clone)]
pub(super) struct Fit {
    pub model: MotionModel,
    pub map: Transform,
    /// Robust weight 0..=1 of each match.
    pub weights: Vec<f64>,
    /// Standard uncertainty of the place of a pixel, root mean square over the frame's corners, pixels.
    pub uncertainty: f64,
}

/// Frame geometry the models are expressed in.
#[derive(Debug, Clone, Copy)]
pub(super) struct Extent {
    pub rows: usize,
    pub columns: usize,
}

impl Extent {
    pub fn centre(self) -> Point {
        Point {
            x: self.columns as f64 / 2.0,
            y: self.rows as f64 / 2.0,
        }
    }

    /// Largest distance over the corners between where two maps put them, pixels; infinite where undefined.
    pub fn apart(self, a: &Transform, b: &Transform) -> f64 {
        let gap = |&p: &Point| match (a.apply(p), b.apply(p)) {
            (Some(p), Some(q)) => (p.x - q.x).hypot(p.y - q.y),
            _ => f64::INFINITY,
        };
        self.corners().iter().map(gap).fold(0.0, f64::max)
    }

    fn radius(self) -> f64 {
        (self.columns as f64).hypot(self.rows as f64) / 2.0
    }

    fn corners(self) -> [Point; 4] {
        let (x, y) = (self.columns as f64, self.rows as f64);
        [(0.0, 0.0), (x, 0.0), (x, y), (0.0, y)].map(|(x, y)| Point { x, y })
    }
}

/// d place / d parameters in the reference at `p`, for coordinates relative to the centre over the radius.
fn generators(model: MotionModel, p: Point, extent: Extent) -> Vec<Vector2<f64>> {
    let (centre, scale) = (extent.centre(), extent.radius());
    let (u, v) = ((p.x - centre.x) / scale, (p.y - centre.y) / scale);
    let all = [
        (1.0, 0.0),
        (0.0, 1.0),
        (-v, u),
        (u, 0.0),
        (v, u),
        (0.0, v),
        (u * u, u * v),
        (u * v, v * v),
    ];
    all[..model.parameters()]
        .iter()
        .map(|&(x, y)| Vector2::new(x, y))
        .collect()
}

/// The small map with the given parameters (pixels at the frame's radius).
fn small_map(model: MotionModel, step: &DVector<f64>, extent: Extent) -> Transform {
    let (centre, scale) = (extent.centre(), extent.radius());
    if model != MotionModel::Homography {
        let turn = if step.len() > 2 { step[2] / scale } else { 0.0 };
        return Transform::turn(centre, turn.to_degrees(), step[0], step[1]);
    }
    let s: Vec<f64> = step.iter().map(|v| v / scale).collect();
    // In normalised coordinates: u' = u + s0 - s2 v + s3 u + s4 v - (…) with the projective terms in the third row.
    let inner = Transform([
        [1.0 + s[3], s[4] - s[2], s[0]],
        [s[4] + s[2], 1.0 + s[5], s[1]],
        [-s[6], -s[7], 1.0],
    ]);
    let to = Transform([
        [1.0 / scale, 0.0, -centre.x / scale],
        [0.0, 1.0 / scale, -centre.y / scale],
        [0.0, 0.0, 1.0],
    ]);
    let back = Transform([
        [scale, 0.0, centre.x],
        [0.0, scale, centre.y],
        [0.0, 0.0, 1.0],
    ]);
    back.after(&inner).after(&to)
}

/// d frame place / d reference place.
fn derivative(map: &Transform, p: Point) -> Option<Matrix2<f64>> {
    let at = map.apply(p)?;
    let right = map.apply(Point {
        x: p.x + 1.0,
        y: p.y,
    })?;
    let below = map.apply(Point {
        x: p.x,
        y: p.y + 1.0,
    })?;
    Some(Matrix2::new(
        right.x - at.x,
        below.x - at.x,
        right.y - at.y,
        below.y - at.y,
    ))
}

pub(super) fn residual(map: &Transform, m: &Match) -> Option<Vector2<f64>> {
    let p = map.apply(m.at)?;
    Some(Vector2::new(m.to.x - p.x, m.to.y - p.y))
}

/// Distance in pixels between where the map puts a tile and where it was found; infinite where undefined.
pub(super) fn distance(map: &Transform, m: &Match) -> f64 {
    residual(map, m).map_or(f64::INFINITY, |r| r.norm())
}

fn information(m: &Match, extra: f64) -> Option<Matrix2<f64>> {
    let [xx, xy, yy] = m.covariance;
    let add = TILE_FLOOR * TILE_FLOOR + extra * extra;
    Matrix2::new(xx + add, xy, xy, yy + add).try_inverse()
}

/// Standard uncertainty of a shift of all tiles together, both axes, pixels.
pub(super) fn shift_uncertainty(matches: &[Match]) -> f64 {
    let whole: Matrix2<f64> = matches.iter().filter_map(|m| information(m, 0.0)).sum();
    whole
        .try_inverse()
        .map_or(f64::INFINITY, |c| c.trace().max(0.0).sqrt())
}

/// One step's parameters and normal matrix. With a scale the weights are renewed and the scale is added to each tile's
/// standard deviation; without, they stand.
fn gauss_newton(
    model: MotionModel,
    matches: &[Match],
    (map, weights, scale): (&Transform, &mut [f64], Option<f64>),
    extent: Extent,
) -> Option<(DVector<f64>, DMatrix<f64>)> {
    let n = model.parameters();
    let mut normal = DMatrix::identity(n, n) * 1e-9;
    let mut vector = DVector::zeros(n);
    for (m, weight) in matches.iter().zip(weights) {
        let (Some(r), Some(j), Some(info)) = (
            residual(map, m),
            derivative(map, m.at),
            information(m, scale.unwrap_or(0.0)),
        ) else {
            continue;
        };
        if scale.is_some() {
            let d2 = (r.transpose() * info * r)[(0, 0)];
            *weight = 1.0 / ((1.0 + d2 / 4.0) * (1.0 + d2 / 4.0));
        }
        let rows: Vec<Vector2<f64>> = generators(model, m.at, extent)
            .iter()
            .map(|g| j * g)
            .collect();
        for a in 0..n {
            let weighted = info * rows[a] * *weight;
            vector[a] += weighted.dot(&r);
            for b in 0..n {
                normal[(a, b)] += weighted.dot(&rows[b]);
            }
        }
    }
    let step = normal.clone().cholesky()?.solve(&vector);
    step.norm().is_finite().then_some((step, normal))
}

/// Fits `model` from `start` by iteratively reweighted Gauss-Newton; the weights are those of Geman and McClure (1987),
/// their scale shrinking from `from` to `to` pixels so that a minority of wrong tiles drops out.
pub(super) fn fit(
    model: MotionModel,
    matches: &[Match],
    start: Transform,
    (from, to): (f64, f64),
    extent: Extent,
) -> Option<Fit> {
    let mut map = start;
    let mut scale = from;
    let mut weights = vec![0.0; matches.len()];
    for _ in 0..STEPS {
        let (step, _) = gauss_newton(model, matches, (&map, &mut weights, Some(scale)), extent)?;
        map = map.after(&small_map(model, &step, extent));
        if scale <= to && step.norm() < 1e-3 {
            break;
        }
        scale = (0.6 * scale).max(to);
    }
    // With the wrong tiles out, each tile counts by its own uncertainty.
    let mut normal = DMatrix::zeros(0, 0);
    for _ in 0..3 {
        let (step, matrix) = gauss_newton(model, matches, (&map, &mut weights, None), extent)?;
        map = map.after(&small_map(model, &step, extent));
        normal = matrix;
    }
    let n = model.parameters();
    let covariance = normal.try_inverse()?;
    let spread = extent.corners().into_iter().map(|p| {
        let g = generators(model, p, extent);
        let mut sum = 0.0;
        for a in 0..n {
            for b in 0..n {
                sum += covariance[(a, b)] * g[a].dot(&g[b]);
            }
        }
        sum
    });
    let uncertainty = (spread.sum::<f64>() / 4.0).sqrt();
    Some(Fit {
        model,
        map,
        weights,
        uncertainty,
    })
}

/// Weighted sum of squared residuals in units of each tile's own uncertainty, over tiles with weight.
fn chi_square(map: &Transform, matches: &[Match], weights: &[f64]) -> f64 {
    let term = |(m, w): (&Match, &f64)| {
        let (r, info) = (residual(map, m)?, information(m, 0.0)?);
        Some(w * (r.transpose() * info * r)[(0, 0)])
    };
    matches.iter().zip(weights).filter_map(term).sum()
}

/// The simplest model the matches support, refined from `start` (a shift and a turn); the homography from `general`.
pub(super) fn choose(
    matches: &[Match],
    (start, general): (Transform, Transform),
    extent: Extent,
) -> Option<Fit> {
    let turned = fit(
        MotionModel::ShiftAndTurn,
        matches,
        start,
        (2.0, 0.05),
        extent,
    )?;
    let used = turned.weights.iter().filter(|&&w| w > 0.25).count();
    let mut fits = Vec::new();
    // A shift alone has to be looked for where no turn is needed.
    let (x, y, _) = turned.map.movement(extent.centre())?;
    fits.extend(fit(
        MotionModel::Shift,
        matches,
        Transform::shift(x, y),
        (0.5, 0.05),
        extent,
    ));
    if matches.len() >= 16 {
        // Started afresh: the turned fit may have left out the tiles that only a general map explains.
        let general = fit(
            MotionModel::Homography,
            matches,
            general,
            (2.0, 0.05),
            extent,
        );
        // A general map must not buy its better fit by leaving tiles out.
        let kept = |f: &Fit| f.weights.iter().filter(|&&w| w > 0.25).count();
        fits.extend(general.filter(|g| kept(g) >= 16 && kept(g) + 1 >= used));
    }
    fits.push(turned);
    let best = fits.iter().max_by_key(|f| f.model)?.clone();
    let count: f64 = 2.0 * best.weights.iter().sum::<f64>();
    let freedom = (count - best.model.parameters() as f64).max(1.0);
    let unit = (chi_square(&best.map, matches, &best.weights) / freedom).max(1e-3);
    // Twice the price that Schwarz (1978) sets on a parameter: tiles err in common, not only by noise.
    let price = 2.0 * count.max(2.0).ln();
    let cost = |f: &Fit| {
        chi_square(&f.map, matches, &best.weights) / unit + f.model.parameters() as f64 * price
    };
    let mut chosen = fits
        .into_iter()
        .min_by(|a, b| cost(a).total_cmp(&cost(b)))?;
    chosen.uncertainty *= unit.sqrt();
    Some(whole(&chosen, matches, extent).unwrap_or(chosen))
}

/// The same motion as whole pixels, where that is as good.
fn whole(fit: &Fit, matches: &[Match], extent: Extent) -> Option<Fit> {
    let (x, y, _) = fit.map.movement(extent.centre())?;
    let map = Transform::shift(x.round(), y.round());
    let (mut sum, mut weights) = (0.0, 0.0);
    for (m, w) in matches.iter().zip(&fit.weights) {
        let (p, q) = (fit.map.apply(m.at)?, map.apply(m.at)?);
        sum += w * ((p.x - q.x).powi(2) + (p.y - q.y).powi(2));
        weights += w;
    }
    let beside = (sum / f64::max(weights, 1e-9)).sqrt();
    let allowed = NOT_WORTH.max((2.0 * fit.uncertainty).min(2.0 * NOT_WORTH));
    let model = if (x.round(), y.round()) == (0.0, 0.0) {
        MotionModel::Identity
    } else {
        MotionModel::WholePixels
    };
    (beside < allowed && weights > 1.0).then(|| Fit {
        model,
        map,
        ..fit.clone()
    })
}
