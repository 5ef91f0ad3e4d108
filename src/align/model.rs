//! Motion of a frame from its matched tiles: robust fits of nested models, and selection of the simplest adequate one.
use super::tile::Match;
use nalgebra::{DMatrix, DVector, Matrix2, Vector2};
use stopspan_core::model::MotionModel;
use stopspan_core::raster::{Point, Transform};

/// Largest difference (root mean square over the tiles, pixels) between a motion and a whole-pixel shift for which frames are not
/// interpolated.
const WHOLE_PIXEL_TOLERANCE: f64 = 0.05;
/// Standard deviation added in quadrature to that of every tile, pixels: the effect of aliasing and compression on the best tiles.
const TILE_FLOOR: f64 = 0.003;
/// Maximum number of Gauss-Newton steps of a fit.
const STEPS: usize = 30;
/// Final scale of the robust weights, pixels.
const FINAL_SCALE: f64 = 0.05;
/// Displacement of the corners, pixels, from which a start is at another scale.
const SCALE_TOLERANCE: f64 = 0.01;
/// Robust weight above which a tile counts as used by a fit.
pub(super) const USED_WEIGHT: f64 = 0.25;

/// A fitted motion.
#[derive(Debug, Clone)]
pub(super) struct Fit {
    pub model: MotionModel,
    /// From the reference frame to the frame.
    pub map: Transform,
    /// Robust weight 0..=1 of each match.
    pub weights: Vec<f64>,
    /// Standard uncertainty of a pixel's position, root mean square over the frame's corners, pixels.
    pub uncertainty: f64,
}

/// Size of a frame, pixels; model parameters are relative to its centre and half its diagonal.
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

    /// Largest distance between the images of a corner under two maps, over the four corners, pixels; infinite where a map is
    /// undefined.
    pub fn max_corner_distance(self, a: &Transform, b: &Transform) -> f64 {
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

/// Derivatives of position with respect to the parameters of `model` at point `p` of the reference frame, one per parameter. The
/// parameters are displacements in pixels at the frame's corners.
fn generators(model: MotionModel, p: Point, extent: Extent) -> Vec<Vector2<f64>> {
    let (centre, scale) = (extent.centre(), extent.radius());
    let (u, v) = ((p.x - centre.x) / scale, (p.y - centre.y) / scale);
    let mut all = [
        (1.0, 0.0),
        (0.0, 1.0),
        (-v, u),
        (u, 0.0),
        (v, u),
        (0.0, v),
        (u * u, u * v),
        (u * v, v * v),
    ];
    if model == MotionModel::Similarity {
        all[3] = (u, v);
    }
    all[..model.parameters()]
        .iter()
        .map(|&(x, y)| Vector2::new(x, y))
        .collect()
}

/// The transform close to the identity with the parameters `step`, in the units of [`generators`].
fn incremental_map(model: MotionModel, step: &DVector<f64>, extent: Extent) -> Transform {
    let (centre, scale) = (extent.centre(), extent.radius());
    let exact = model <= MotionModel::ShiftAndTurn;
    if exact {
        let turn = if step.len() > 2 { step[2] / scale } else { 0.0 };
        return Transform::turn(centre, turn.to_degrees(), step[0], step[1]);
    }
    let mut s: Vec<f64> = step.iter().map(|v| v / scale).collect();
    if model == MotionModel::Similarity {
        s.extend([0.0, s[3], 0.0, 0.0]);
    }
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

/// Jacobian of `map` at `p`, by differences over one pixel.
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

/// Measured minus mapped position of a tile, pixels; `None` where the map is undefined.
pub(super) fn residual(map: &Transform, m: &Match) -> Option<Vector2<f64>> {
    let p = map.apply(m.at)?;
    Some(Vector2::new(m.to.x - p.x, m.to.y - p.y))
}

/// Length of the [`residual`] of a tile, pixels; infinite where the map is undefined.
pub(super) fn distance(map: &Transform, m: &Match) -> f64 {
    residual(map, m).map_or(f64::INFINITY, |r| r.norm())
}

/// Inverse covariance of a tile's position, per square pixel, with [`TILE_FLOOR`] and `extra` (standard deviations, pixels) added.
fn information(m: &Match, extra: f64) -> Option<Matrix2<f64>> {
    let [xx, xy, yy] = m.covariance;
    let add = TILE_FLOOR * TILE_FLOOR + extra * extra;
    Matrix2::new(xx + add, xy, xy, yy + add).try_inverse()
}

/// Standard uncertainty of a common shift of all tiles, both axes combined, pixels; infinite if undetermined.
pub(super) fn shift_uncertainty(matches: &[Match]) -> f64 {
    let total: Matrix2<f64> = matches.iter().filter_map(|m| information(m, 0.0)).sum();
    total
        .try_inverse()
        .map_or(f64::INFINITY, |c| c.trace().max(0.0).sqrt())
}

/// State of the iterative fit of one model.
struct Iteration {
    model: MotionModel,
    extent: Extent,
    map: Transform,
    /// Robust weight 0..=1 of each match.
    weights: Vec<f64>,
}

/// One Gauss-Newton step.
struct Step {
    /// Parameters of the step, in the units of [`generators`].
    parameters: DVector<f64>,
    /// Normal matrix; its inverse is the covariance of the parameters.
    normal: DMatrix<f64>,
}

impl Iteration {
    /// Takes one Gauss-Newton step. With a scale (pixels) the weights are recomputed first, and the scale is added to the
    /// standard deviation of each tile; without, the weights are kept. `None` if the matches do not determine the parameters.
    fn advance(&mut self, matches: &[Match], scale: Option<f64>) -> Option<Step> {
        let step = self.gauss_newton(matches, scale)?;
        let increment = incremental_map(self.model, &step.parameters, self.extent);
        self.map = self.map.after(&increment);
        Some(step)
    }

    /// The step from the current map, not yet taken; recomputes the weights if there is a scale.
    fn gauss_newton(&mut self, matches: &[Match], scale: Option<f64>) -> Option<Step> {
        let n = self.model.parameters();
        let mut normal = DMatrix::identity(n, n) * 1e-9;
        let mut vector = DVector::zeros(n);
        for (m, weight) in matches.iter().zip(&mut self.weights) {
            let (Some(r), Some(j), Some(info)) = (
                residual(&self.map, m),
                derivative(&self.map, m.at),
                information(m, scale.unwrap_or(0.0)),
            ) else {
                continue;
            };
            if scale.is_some() {
                let d2 = (r.transpose() * info * r)[(0, 0)];
                *weight = 1.0 / ((1.0 + d2 / 4.0) * (1.0 + d2 / 4.0));
            }
            let rows: Vec<Vector2<f64>> = generators(self.model, m.at, self.extent)
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
        let parameters = normal.clone().cholesky()?.solve(&vector);
        parameters
            .norm()
            .is_finite()
            .then_some(Step { parameters, normal })
    }
}

/// Fits `model` from `start` by iteratively reweighted Gauss-Newton. The weights are those of Geman and McClure (1987). Their
/// scale decreases from `scale` to [`FINAL_SCALE`] pixels, so that a minority of outlying tiles loses its weight.
fn fit(
    model: MotionModel,
    matches: &[Match],
    start: Transform,
    mut scale: f64,
    extent: Extent,
) -> Option<Fit> {
    let mut iteration = Iteration {
        model,
        extent,
        map: start,
        weights: vec![0.0; matches.len()],
    };
    for _ in 0..STEPS {
        let step = iteration.advance(matches, Some(scale))?;
        if scale <= FINAL_SCALE && step.parameters.norm() < 1e-3 {
            break;
        }
        scale = (0.6 * scale).max(FINAL_SCALE);
    }
    // Without the outliers, each tile is weighted by its own uncertainty.
    let mut normal = DMatrix::zeros(0, 0);
    for _ in 0..3 {
        normal = iteration.advance(matches, None)?.normal;
    }
    let n = model.parameters();
    let covariance = normal.try_inverse()?;
    let variances = extent.corners().into_iter().map(|p| {
        let g = generators(model, p, extent);
        let mut sum = 0.0;
        for a in 0..n {
            for b in 0..n {
                sum += covariance[(a, b)] * g[a].dot(&g[b]);
            }
        }
        sum
    });
    let uncertainty = (variances.sum::<f64>() / 4.0).sqrt();
    Some(Fit {
        model,
        map: iteration.map,
        weights: iteration.weights,
        uncertainty,
    })
}

/// Weighted sum of squared residuals, each normalised by the tile's own covariance.
fn chi_square(map: &Transform, matches: &[Match], weights: &[f64]) -> f64 {
    let term = |(m, w): (&Match, &f64)| {
        let (r, info) = (residual(map, m)?, information(m, 0.0)?);
        Some(w * (r.transpose() * info * r)[(0, 0)])
    };
    matches.iter().zip(weights).filter_map(term).sum()
}

/// Fits shift, shift with rotation, the same with scale (from 8 matches) and homography (from 16), and selects the simplest model that
/// describes the matches. Fits without projective terms start from `start`, a shift and rotation, or with scale a similarity, which
/// then is the simplest model; the homography starts from `general`. `None` if the matches do not determine the simplest one.
pub(super) fn choose(
    matches: &[Match],
    start: Transform,
    general: Transform,
    extent: Extent,
) -> Option<Fit> {
    let scaled = (start.scale(extent.centre())? - 1.0).abs() * extent.radius() > SCALE_TOLERANCE;
    let (first, least) = if scaled {
        (MotionModel::Similarity, 8)
    } else {
        (MotionModel::ShiftAndTurn, 2)
    };
    let rotated = fit(first, matches, start, 2.0, extent).filter(|_| matches.len() >= least)?;
    let used = |f: &Fit| f.weights.iter().filter(|&&w| w > USED_WEIGHT).count();
    let mut fits = Vec::new();
    if !scaled {
        // The shift is fitted by itself: it is preferred where no rotation is needed.
        let (x, y, _) = rotated.map.movement(extent.centre())?;
        let start = Transform::shift(x, y);
        fits.extend(fit(MotionModel::Shift, matches, start, 0.5, extent));
    }
    if !scaled && matches.len() >= 8 {
        let similar = fit(MotionModel::Similarity, matches, start, 2.0, extent);
        fits.extend(similar.filter(|s| used(s) >= 8 && used(s) + 1 >= used(&rotated)));
    }
    if matches.len() >= 16 {
        // With fresh weights: the fit with rotation may have rejected the tiles that only a homography describes.
        let general = fit(MotionModel::Homography, matches, general, 2.0, extent);
        // The homography must not fit better by rejecting more tiles.
        fits.extend(general.filter(|g| used(g) >= 16 && used(g) + 1 >= used(&rotated)));
    }
    fits.push(rotated);
    let best = fits.iter().max_by_key(|f| f.model)?.clone();
    let count: f64 = 2.0 * best.weights.iter().sum::<f64>();
    let freedom = (count - best.model.parameters() as f64).max(1.0);
    let reduced = (chi_square(&best.map, matches, &best.weights) / freedom).max(1e-3);
    // Twice the penalty per parameter of Schwarz (1978), because errors of tiles are not independent.
    let penalty = 2.0 * count.max(2.0).ln();
    let cost = |f: &Fit| {
        chi_square(&f.map, matches, &best.weights) / reduced + f.model.parameters() as f64 * penalty
    };
    let mut chosen = fits
        .into_iter()
        .min_by(|a, b| cost(a).total_cmp(&cost(b)))?;
    chosen.uncertainty *= reduced.sqrt();
    Some(whole_pixels(&chosen, matches, extent).unwrap_or(chosen))
}

/// The fit rounded to a shift by whole pixels, if the difference is within [`WHOLE_PIXEL_TOLERANCE`] or, for uncertain fits, up to
/// twice that.
fn whole_pixels(fit: &Fit, matches: &[Match], extent: Extent) -> Option<Fit> {
    let (x, y, _) = fit.map.movement(extent.centre())?;
    let map = Transform::shift(x.round(), y.round());
    let (mut sum, mut weights) = (0.0, 0.0);
    for (m, w) in matches.iter().zip(&fit.weights) {
        let (p, q) = (fit.map.apply(m.at)?, map.apply(m.at)?);
        sum += w * ((p.x - q.x).powi(2) + (p.y - q.y).powi(2));
        weights += w;
    }
    let difference = (sum / f64::max(weights, 1e-9)).sqrt();
    let allowed =
        WHOLE_PIXEL_TOLERANCE.max((2.0 * fit.uncertainty).min(2.0 * WHOLE_PIXEL_TOLERANCE));
    let model = if (x.round(), y.round()) == (0.0, 0.0) {
        MotionModel::Identity
    } else {
        MotionModel::WholePixels
    };
    (difference < allowed && weights > 1.0).then(|| Fit {
        model,
        map,
        ..fit.clone()
    })
}
