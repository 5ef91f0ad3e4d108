//! A straight line with a smooth deviation through points of known uncertainty: the cubic smoothing spline as the posterior of
//! a Gaussian process, straight line plus integrated Wiener process (Wahba 1978), averaged over the process's amplitude.
use nalgebra::{Cholesky, DMatrix, DVector, Dyn};
use rand::{Rng, RngCore};
use rand_distr::StandardNormal;

/// Amplitudes of the integrated Wiener process, per unit of the abscissa to the power 3/2: from a line that hardly bends to one
/// whose slope changes by its own size within a unit. All are taken to be equally likely beforehand, in the logarithm.
const AMPLITUDES: [f64; 12] = [
    0.02, 0.03, 0.04, 0.055, 0.075, 0.10, 0.14, 0.19, 0.26, 0.36, 0.50, 0.70,
];
/// Variance of level and slope of the line beforehand: as good as unknown.
const UNKNOWN: f64 = 1e4;
/// Fewest points.
const FEWEST: usize = 5;

/// A point with the standard uncertainty of its ordinate, > 0.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Knot {
    /// Abscissa.
    pub x: f64,
    /// Ordinate.
    pub y: f64,
    /// Standard uncertainty of the ordinate.
    pub uncertainty: f64,
}

/// The line at given abscissae: its mean, and the means and factors of the covariance by amplitude, to draw from.
#[derive(Debug, Clone)]
pub struct SmoothLine {
    mean: Vec<f64>,
    parts: Vec<Part>,
}

#[derive(Debug, Clone)]
struct Part {
    weight: f64,
    mean: DVector<f64>,
    factor: DMatrix<f64>,
}

impl SmoothLine {
    /// The line through `knots` at the abscissae `at`, with a deviation of the given shape times a factor that is 0 within 1 beforehand
    /// (one standard deviation); `None` with fewer than five knots or points that decide nothing.
    pub fn through(knots: &[Knot], at: &[f64], shape: fn(f64) -> f64) -> Option<Self> {
        if knots.len() < FEWEST {
            return None;
        }
        let all = knots.iter().map(|k| k.x).chain(at.iter().copied());
        let origin = all.fold(f64::INFINITY, f64::min);
        let centre = knots.iter().map(|k| k.y).sum::<f64>() / knots.len() as f64;
        let by_amplitude = AMPLITUDES
            .iter()
            .filter_map(|&amplitude| {
                let process = Process {
                    amplitude,
                    origin,
                    shape,
                };
                process.posterior(knots, centre, at)
            })
            .collect::<Vec<_>>();
        let best = by_amplitude.iter().map(|p| p.weight).reduce(f64::max)?;
        let mut parts = by_amplitude;
        for part in &mut parts {
            part.weight = (part.weight - best).exp();
        }
        let total: f64 = parts.iter().map(|p| p.weight).sum();
        let mut mean = vec![0.0; at.len()];
        for part in &mut parts {
            part.weight /= total;
            for (sum, value) in mean.iter_mut().zip(part.mean.iter()) {
                *sum += part.weight * value;
            }
        }
        Some(SmoothLine { mean, parts })
    }

    /// Mean of the line at each abscissa.
    pub fn mean(&self) -> &[f64] {
        &self.mean
    }

    /// One line drawn at random, at the same abscissae.
    pub fn drawn(&self, rng: &mut impl RngCore) -> Vec<f64> {
        let mut left: f64 = rng.random();
        let mut chosen = &self.parts[self.parts.len() - 1];
        for part in &self.parts {
            left -= part.weight;
            if left < 0.0 {
                chosen = part;
                break;
            }
        }
        let normal = DVector::from_fn(chosen.mean.len(), |_, _| {
            rng.sample::<f64, _>(StandardNormal)
        });
        (&chosen.mean + &chosen.factor * normal)
            .iter()
            .copied()
            .collect()
    }
}

/// Straight line, a multiple of a shape, and an integrated Wiener process.
struct Process {
    amplitude: f64,
    origin: f64,
    shape: fn(f64) -> f64,
}

impl Process {
    /// Covariance of the process at two abscissae.
    fn covariance(&self, a: f64, b: f64) -> f64 {
        let (s, t) = (a - self.origin, b - self.origin);
        let (low, high) = (s.min(t), s.max(t));
        let wiener = low * low * (high / 2.0 - low / 6.0);
        let shape = (self.shape)(a) * (self.shape)(b);
        self.amplitude.powi(2) * wiener + UNKNOWN * (1.0 + s * t) + shape
    }

    /// Posterior at `at`; its `weight` is the logarithm of the likelihood of the knots.
    fn posterior(&self, knots: &[Knot], centre: f64, at: &[f64]) -> Option<Part> {
        let n = knots.len();
        let own = DMatrix::from_fn(n, n, |i, j| {
            let noise = if i == j {
                knots[i].uncertainty.powi(2)
            } else {
                0.0
            };
            self.covariance(knots[i].x, knots[j].x) + noise
        });
        let own: Cholesky<f64, Dyn> = own.cholesky()?;
        let seen = DVector::from_fn(n, |i, _| knots[i].y - centre);
        let cross = DMatrix::from_fn(n, at.len(), |i, k| self.covariance(knots[i].x, at[k]));
        let solved = own.solve(&seen);
        let mean = (cross.transpose() * &solved).add_scalar(centre);
        let prior = DMatrix::from_fn(at.len(), at.len(), |i, j| self.covariance(at[i], at[j]));
        let left = prior - cross.transpose() * own.solve(&cross);
        let log_determinant: f64 = own.l().diagonal().iter().map(|d| d.ln()).sum();
        Some(Part {
            weight: -0.5 * seen.dot(&solved) - log_determinant,
            mean,
            factor: root(left),
        })
    }
}

/// A square root of a covariance matrix; what rounding makes of eigenvalues of zero is left out.
fn root(matrix: DMatrix<f64>) -> DMatrix<f64> {
    let symmetric = (&matrix + matrix.transpose()) * 0.5;
    let split = symmetric.symmetric_eigen();
    let mut factor = split.eigenvectors;
    for (mut column, value) in factor.column_iter_mut().zip(split.eigenvalues.iter()) {
        column *= value.max(0.0).sqrt();
    }
    factor
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;

    fn knots(of: impl Fn(f64) -> f64, uncertainty: f64) -> Vec<Knot> {
        (0..16)
            .map(|i| {
                let x = -0.5 * f64::from(i);
                Knot {
                    x,
                    y: of(x),
                    uncertainty,
                }
            })
            .collect()
    }

    #[test]
    fn a_line_is_met_and_carried_on() {
        let line =
            SmoothLine::through(&knots(|x| 3.0 + 1.1 * x, 0.05), &[0.5, -3.25, -8.0], |_| {
                0.0
            })
            .unwrap();
        for (got, x) in line.mean().iter().zip([0.5, -3.25, -8.0]) {
            assert!((got - (3.0 + 1.1 * x)).abs() < 1e-3, "{got} at {x}");
        }
    }

    /// The variance of a straight line fitted to points of equal uncertainty u (least squares, closed form) at the middle of 16
    /// points is u^2 / 16; a line that may bend is less certain, one point alone has u^2.
    #[test]
    fn it_is_as_certain_as_the_points_make_it() {
        let line = SmoothLine::through(&knots(|x| x, 0.05), &[-3.75], |_| 0.0).unwrap();
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(3);
        let drawn: Vec<f64> = (0..4000).map(|_| line.drawn(&mut rng)[0]).collect();
        let mean = drawn.iter().sum::<f64>() / 4000.0;
        let deviation = (drawn.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / 3999.0).sqrt();
        assert!((0.0125..0.05).contains(&deviation), "{deviation}");
    }

    #[test]
    fn too_few_points_give_no_line() {
        assert!(SmoothLine::through(&knots(|x| x, 0.05)[..4], &[0.0], |_| 0.0).is_none());
    }
}
