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
/// Variance of level and slope of the line at the middle of the knots beforehand: as good as unknown. Far more would cost the
/// covariance its digits.
const UNKNOWN: f64 = 100.0;
/// Fewest points.
const FEWEST: usize = 5;

/// Places into which an even spread is divided.
const PLACES: usize = 9;

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

/// A point whose ordinate lies, with equal probability, anywhere in a range, whose ends share a standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EvenKnot {
    /// Abscissa.
    pub x: f64,
    /// Lower end of the ordinate.
    pub low: f64,
    /// Upper end, at least `low`.
    pub high: f64,
    /// Standard uncertainty of both ends, > 0.
    pub uncertainty: f64,
}

impl EvenKnot {
    /// Knots at the middles of equal parts of the range.
    fn places(&self) -> [Knot; PLACES] {
        let part = (self.high - self.low) / PLACES as f64;
        std::array::from_fn(|i| Knot {
            x: self.x,
            y: self.low + part * (i as f64 + 0.5),
            uncertainty: self.uncertainty.hypot(part / 12f64.sqrt()),
        })
    }
}

/// The line at given abscissae: its mean, and what it may be, to draw from.
#[derive(Debug, Clone)]
pub struct SmoothLine {
    mean: Vec<f64>,
    parts: Vec<Part>,
    /// Factors of the covariance, one an amplitude.
    factors: Vec<DMatrix<f64>>,
}

/// The line by one amplitude and one place of the even knot.
#[derive(Debug, Clone)]
struct Part {
    weight: f64,
    mean: DVector<f64>,
    /// Index of its factor of the covariance.
    factor: usize,
}

impl SmoothLine {
    /// The line through `knots`, and one of an even spread, at the abscissae `at`, with a deviation of the given shape times a factor
    /// that is 0 within 1 beforehand (one standard deviation); `None` with fewer than five knots or points that decide nothing.
    pub fn through(
        knots: &[Knot],
        even: Option<EvenKnot>,
        at: &[f64],
        shape: fn(f64) -> f64,
    ) -> Option<Self> {
        if knots.len() + usize::from(even.is_some()) < FEWEST {
            return None;
        }
        let places = even.map(|e| e.places());
        let first = places.iter().map(|p| &p[0]);
        let knots: Vec<Knot> = knots.iter().chain(first).copied().collect();
        let all = knots.iter().map(|k| k.x).chain(at.iter().copied());
        let origin = all.fold(f64::INFINITY, f64::min);
        let middle = knots.iter().map(|k| k.x).sum::<f64>() / knots.len() as f64;
        let last: Vec<f64> = places.iter().flatten().map(|k| k.y).collect();
        let (mut parts, mut factors) = (Vec::new(), Vec::new());
        for amplitude in AMPLITUDES {
            let process = Process {
                amplitude,
                origin,
                middle,
                shape,
            };
            if let Some((lines, factor)) = process.posterior(&knots, &last, at) {
                parts.extend(lines.into_iter().map(|(weight, mean)| Part {
                    weight,
                    mean,
                    factor: factors.len(),
                }));
                factors.push(factor);
            }
        }
        let best = parts.iter().map(|p| p.weight).reduce(f64::max)?;
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
        Some(SmoothLine {
            mean,
            parts,
            factors,
        })
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
        (&chosen.mean + &self.factors[chosen.factor] * normal)
            .iter()
            .copied()
            .collect()
    }
}

/// Straight line, a multiple of a shape, and an integrated Wiener process.
struct Process {
    amplitude: f64,
    /// Abscissa from which the process runs.
    origin: f64,
    /// Mean abscissa of the knots.
    middle: f64,
    shape: fn(f64) -> f64,
}

/// Logarithm of the likelihood of the knots, and the mean of the line.
type Posterior = (f64, DVector<f64>);

impl Process {
    /// Covariance of the process at two abscissae.
    fn covariance(&self, a: f64, b: f64) -> f64 {
        let (s, t) = (a - self.origin, b - self.origin);
        let (low, high) = (s.min(t), s.max(t));
        let wiener = low * low * (high / 2.0 - low / 6.0);
        let shape = (self.shape)(a) * (self.shape)(b);
        let line = 1.0 + (a - self.middle) * (b - self.middle);
        self.amplitude.powi(2) * wiener + UNKNOWN * line + shape
    }

    /// Posteriors at `at`, each the logarithm of the likelihood of the knots and the mean, for each ordinate in `last` of the last knot
    /// (with none, for its own), and the factor of the covariance that they share.
    fn posterior(
        &self,
        knots: &[Knot],
        last: &[f64],
        at: &[f64],
    ) -> Option<(Vec<Posterior>, DMatrix<f64>)> {
        let n = knots.len();
        let centre = knots.iter().map(|k| k.y).sum::<f64>() / n as f64;
        let own = DMatrix::from_fn(n, n, |i, j| {
            let noise = if i == j {
                knots[i].uncertainty.powi(2)
            } else {
                0.0
            };
            self.covariance(knots[i].x, knots[j].x) + noise
        });
        let own: Cholesky<f64, Dyn> = own.cholesky()?;
        let cross = DMatrix::from_fn(n, at.len(), |i, k| self.covariance(knots[i].x, at[k]));
        let prior = DMatrix::from_fn(at.len(), at.len(), |i, j| self.covariance(at[i], at[j]));
        let left = prior - cross.transpose() * own.solve(&cross);
        let log_determinant: f64 = own.l().diagonal().iter().map(|d| d.ln()).sum();
        let line = |last: f64| {
            let mut seen = DVector::from_fn(n, |i, _| knots[i].y - centre);
            seen[n - 1] = last - centre;
            let solved = own.solve(&seen);
            let mean = (cross.transpose() * &solved).add_scalar(centre);
            (-0.5 * seen.dot(&solved) - log_determinant, mean)
        };
        let lines = match last {
            [] => vec![line(knots[n - 1].y)],
            places => places.iter().map(|y| line(*y)).collect(),
        };
        Some((lines, root(left)))
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
        let line = SmoothLine::through(
            &knots(|x| 3.0 + 1.1 * x, 0.05),
            None,
            &[0.5, -3.25, -8.0],
            |_| 0.0,
        )
        .unwrap();
        for (got, x) in line.mean().iter().zip([0.5, -3.25, -8.0]) {
            assert!((got - (3.0 + 1.1 * x)).abs() < 1e-3, "{got} at {x}");
        }
    }

    /// The variance of a straight line fitted to points of equal uncertainty u (least squares, closed form) at the middle of 16
    /// points is u^2 / 16; a line that may bend is less certain, one point alone has u^2.
    #[test]
    fn it_is_as_certain_as_the_points_make_it() {
        let line = SmoothLine::through(&knots(|x| x, 0.05), None, &[-3.75], |_| 0.0).unwrap();
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(3);
        let drawn: Vec<f64> = (0..4000).map(|_| line.drawn(&mut rng)[0]).collect();
        let mean = drawn.iter().sum::<f64>() / 4000.0;
        let deviation = (drawn.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / 3999.0).sqrt();
        assert!((0.0125..0.05).contains(&deviation), "{deviation}");
    }

    /// Closed form: the deviation of an even distribution of width w is w / sqrt(12), and it ends where the range ends; a knot far from
    /// all others is as free as its own range.
    #[test]
    fn an_even_spread_stays_even() {
        let far = EvenKnot {
            x: 40.0,
            low: -2.0,
            high: 2.0,
            uncertainty: 0.01,
        };
        let line = SmoothLine::through(&knots(|_| 0.0, 0.05), Some(far), &[40.0], |_| 0.0).unwrap();
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(3);
        let drawn: Vec<f64> = (0..4000).map(|_| line.drawn(&mut rng)[0]).collect();
        let deviation = (drawn.iter().map(|v| v * v).sum::<f64>() / 4000.0).sqrt();
        assert!((deviation - 4.0 / 12f64.sqrt()).abs() < 0.05, "{deviation}");
        let outside = drawn.iter().filter(|v| v.abs() > 2.0).count();
        assert!(outside < 250, "{outside} of 4000");
    }

    #[test]
    fn too_few_points_give_no_line() {
        assert!(SmoothLine::through(&knots(|x| x, 0.05)[..4], None, &[0.0], |_| 0.0).is_none());
    }
}
