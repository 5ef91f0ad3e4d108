//! Weighted least squares with its covariance, plain, robust and non-negative.
//!
//! Solved by Householder QR of the design with columns scaled to unit length (Golub and Van Loan 2013), never by normal
//! equations, which square the condition number.
use super::robust::{Loss, residual_scale};
use nalgebra::{DMatrix, DVector};

/// Coefficients of a linear model with their covariance.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// Coefficients in the order of the design's columns; unit: that of the observations per that of the column.
    pub coefficients: DVector<f64>,
    /// Covariance of the coefficients, `(A^T W A)^-1`, if weights are 1/variance of each observation. If only ratios
    /// of weights are known, use [`Fit::scaled_covariance`].
    pub covariance: DMatrix<f64>,
    /// Sum of weighted squared residuals, >= 0.
    pub chi_square: f64,
    /// Number of observations with positive weight minus number of coefficients, >= 0.
    pub degrees: usize,
}

impl Fit {
    /// Residual standard deviation of an observation of unit weight, `sqrt(chi_square / degrees)`; `None` without
    /// degrees of freedom.
    pub fn residual_deviation(&self) -> Option<f64> {
        (self.degrees > 0).then(|| (self.chi_square / self.degrees as f64).sqrt())
    }

    /// Covariance scaled by the residual variance, i.e. estimated from the scatter of the data. `None` without
    /// degrees of freedom.
    pub fn scaled_covariance(&self) -> Option<DMatrix<f64>> {
        let deviation = self.residual_deviation()?;
        Some(&self.covariance * (deviation * deviation))
    }

    /// Standard uncertainty of coefficient `index` for the weights given; `None` if there is no such coefficient.
    pub fn standard_uncertainty(&self, index: usize) -> Option<f64> {
        let variance = self.covariance.get((index, index))?;
        Some(variance.max(0.0).sqrt())
    }
}

/// Minimises `sum(w (y - A x)^2)`. `weights` are 1/variance, or all 1 if only the scatter is known; 0 excludes an
/// observation. `None` if lengths differ, a number is not finite, a weight is negative, there are fewer observations
/// than coefficients, or the columns are linearly dependent to machine precision.
pub fn least_squares(design: &DMatrix<f64>, observed: &[f64], weights: &[f64]) -> Option<Fit> {
    let (rows, columns) = design.shape();
    let used = weights.iter().filter(|&&w| w > 0.0).count();
    let finite = |list: &[f64]| list.iter().all(|v| v.is_finite());
    if observed.len() != rows
        || weights.len() != rows
        || columns == 0
        || used < columns
        || weights.iter().any(|&w| w < 0.0)
        || !(finite(observed) && finite(weights) && finite(design.as_slice()))
    {
        return None;
    }
    let roots = DVector::from_iterator(rows, weights.iter().map(|w| w.sqrt()));
    let mut scaled = design.clone();
    for mut column in scaled.column_iter_mut() {
        column.component_mul_assign(&roots);
    }
    let lengths = DVector::from_iterator(columns, scaled.column_iter().map(|c| c.norm()));
    if lengths.iter().any(|&l| l <= 0.0 || !l.is_finite()) {
        return None;
    }
    for (mut column, length) in scaled.column_iter_mut().zip(lengths.iter()) {
        column /= *length;
    }
    let target = DVector::from_column_slice(observed).component_mul(&roots);
    let (solution, inverse) = solve(&scaled, &target)?;
    let residuals = &target - &scaled * &solution;
    Some(Fit {
        coefficients: solution.component_div(&lengths),
        covariance: DMatrix::from_fn(columns, columns, |i, j| {
            inverse.row(i).dot(&inverse.row(j)) / (lengths[i] * lengths[j])
        }),
        chi_square: residuals.norm_squared(),
        degrees: used - columns,
    })
}

/// Least squares solution and R^-1 of a design with unit columns, with one step of iterative refinement.
fn solve(design: &DMatrix<f64>, target: &DVector<f64>) -> Option<(DVector<f64>, DMatrix<f64>)> {
    let columns = design.ncols();
    let qr = design.clone().qr();
    let (q, r) = (qr.q(), qr.r());
    let smallest = r
        .diagonal()
        .iter()
        .fold(f64::INFINITY, |m, d| m.min(d.abs()));
    if smallest <= f64::EPSILON * design.nrows().max(columns) as f64 {
        return None;
    }
    let part = |rest: &DVector<f64>| r.solve_upper_triangular(&q.tr_mul(rest));
    let mut solution = part(target)?;
    let rest = target - design * &solution;
    solution += part(&rest)?;
    let inverse = r.solve_upper_triangular(&DMatrix::identity(columns, columns))?;
    let finite = solution.iter().chain(inverse.iter()).all(|v| v.is_finite());
    finite.then_some((solution, inverse))
}

/// As [`least_squares`], with weights reduced by `loss` for residuals that are large against their own scale.
/// Iterates from least squares through Huber to `loss`, until no coefficient changes by more than 1e-10 of its
/// uncertainty, at most 100 times. The covariance is that of the final weights and excludes the uncertainty of the
/// scale.
pub fn robust_least_squares(
    design: &DMatrix<f64>,
    observed: &[f64],
    weights: &[f64],
    loss: Loss,
) -> Option<Fit> {
    let mut fit = least_squares(design, observed, weights)?;
    for round in 0..100 {
        let now = if round < 10 { Loss::Huber } else { loss };
        let residuals = standardised(design, observed, weights, &fit);
        let kept: Vec<f64> = residuals
            .iter()
            .zip(weights)
            .filter(|(_, w)| **w > 0.0)
            .map(|(r, _)| *r)
            .collect();
        let scale = residual_scale(&kept)?;
        if scale <= 0.0 {
            return Some(fit);
        }
        let lowered: Vec<f64> = residuals
            .iter()
            .zip(weights)
            .map(|(r, w)| w * now.weight(r / scale))
            .collect();
        let next = least_squares(design, observed, &lowered)?;
        let step = largest_step(&fit, &next);
        fit = next;
        if round > 10 && step < 1e-10 {
            break;
        }
    }
    Some(fit)
}

/// Residuals times the square root of their weights.
fn standardised(design: &DMatrix<f64>, observed: &[f64], weights: &[f64], fit: &Fit) -> Vec<f64> {
    let model = design * &fit.coefficients;
    let pairs = observed.iter().zip(model.iter()).zip(weights);
    pairs.map(|((y, m), w)| (y - m) * w.sqrt()).collect()
}

/// Largest change of a coefficient, in standard uncertainties.
fn largest_step(before: &Fit, after: &Fit) -> f64 {
    let moved = (&after.coefficients - &before.coefficients).abs();
    let spread = after.covariance.diagonal().map(|v| v.max(0.0).sqrt());
    moved
        .iter()
        .zip(spread.iter())
        .fold(0.0, |m, (d, s)| m.max(if *s > 0.0 { d / s } else { 0.0 }))
}

/// Minimises `|A x - y|^2` with every coefficient >= 0, by the active set method of Lawson and Hanson (1974). For
/// small problems (tens of columns). `None` if lengths differ, a number is not finite, or it does not converge in 30
/// iterations a column (dependent columns).
pub fn non_negative_least_squares(design: &DMatrix<f64>, observed: &[f64]) -> Option<Vec<f64>> {
    let columns = design.ncols();
    let numbers = design.iter().chain(observed).all(|v| v.is_finite());
    if observed.len() != design.nrows() || columns == 0 || !numbers {
        return None;
    }
    let target = DVector::from_column_slice(observed);
    let tolerance = 1e-12 * design.norm() * target.norm();
    let mut solution = DVector::zeros(columns);
    let mut free = vec![false; columns];
    for _ in 0..30 * columns {
        let gradient = design.tr_mul(&(&target - design * &solution));
        let candidates = (0..columns).filter(|&j| !free[j] && gradient[j] > tolerance);
        let Some(best) = candidates.max_by(|&i, &j| gradient[i].total_cmp(&gradient[j])) else {
            return Some(solution.iter().copied().collect());
        };
        free[best] = true;
        retreat(design, observed, &mut solution, &mut free)?;
    }
    None
}

/// Moves to the solution on the free columns; coefficients that would become negative on the way are fixed at 0.
fn retreat(
    design: &DMatrix<f64>,
    observed: &[f64],
    solution: &mut DVector<f64>,
    free: &mut [bool],
) -> Option<()> {
    let ones = vec![1.0; observed.len()];
    loop {
        let chosen: Vec<usize> = (0..free.len()).filter(|&j| free[j]).collect();
        if chosen.is_empty() {
            return Some(());
        }
        let part = least_squares(&design.select_columns(&chosen), observed, &ones)?.coefficients;
        // Fraction of the step (0..=1) at which each coefficient that would become negative reaches 0.
        let ways: Vec<f64> = chosen
            .iter()
            .zip(part.iter())
            .map(|(&j, &p)| match p {
                p if p > 0.0 => f64::INFINITY,
                _ if solution[j] > 0.0 => solution[j] / (solution[j] - p),
                _ => 0.0,
            })
            .collect();
        let way = ways.iter().copied().fold(1.0, f64::min);
        for ((&j, p), own) in chosen.iter().zip(part.iter()).zip(&ways) {
            solution[j] += way * (p - solution[j]);
            if *own <= way {
                solution[j] = 0.0;
                free[j] = false;
            }
        }
        if ways.iter().all(|w| w.is_infinite()) {
            return Some(());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    fn line(n: usize) -> DMatrix<f64> {
        DMatrix::from_fn(n, 2, |i, j| if j == 0 { 1.0 } else { i as f64 })
    }

    /// The slow twin: normal equations, solved by Cholesky decomposition.
    fn normal_equations(
        design: &DMatrix<f64>,
        observed: &[f64],
        weights: &[f64],
    ) -> (DVector<f64>, DMatrix<f64>) {
        let w = DMatrix::from_diagonal(&DVector::from_column_slice(weights));
        let y = DVector::from_column_slice(observed);
        let inverse = (design.transpose() * &w * design)
            .cholesky()
            .unwrap()
            .inverse();
        (&inverse * design.transpose() * &w * y, inverse)
    }

    proptest! {
        #[test]
        fn equals_normal_equations(
            rows in prop::collection::vec((-1.0..1.0f64, -1.0..1.0f64, -5.0..5.0f64, 0.2..4.0f64), 8..30)
        ) {
            let design = DMatrix::from_fn(rows.len(), 3, |i, j| [1.0, rows[i].0, 40.0 * rows[i].1][j]);
            let observed: Vec<f64> = rows.iter().map(|r| r.2).collect();
            let weights: Vec<f64> = rows.iter().map(|r| r.3).collect();
            let fit = least_squares(&design, &observed, &weights);
            prop_assume!(fit.is_some());
            let fit = fit.unwrap();
            prop_assume!(fit.covariance[(1, 1)] < 1e4 && fit.covariance[(2, 2)] < 1e4);
            let (coefficients, covariance) = normal_equations(&design, &observed, &weights);
            prop_assert!((&fit.coefficients - coefficients).amax() < 1e-7);
            prop_assert!((&fit.covariance - &covariance).amax() < 1e-7 * covariance.amax());
        }

        /// Optimality: zero gradient on free columns, and no descent direction inwards on fixed ones.
        #[test]
        fn non_negative_solution_is_the_minimum(
            rows in prop::collection::vec((0.0..1.0f64, 0.0..1.0f64, 0.0..1.0f64, -2.0..2.0f64), 6..15)
        ) {
            let design = DMatrix::from_fn(rows.len(), 3, |i, j| [rows[i].0, rows[i].1, rows[i].2][j]);
            let observed: Vec<f64> = rows.iter().map(|r| r.3).collect();
            let Some(found) = non_negative_least_squares(&design, &observed) else {
                return Err(TestCaseError::reject("dependent columns"));
            };
            let rest = DVector::from_column_slice(&observed) - &design * DVector::from_column_slice(&found);
            let gradient = design.tr_mul(&rest);
            for (x, g) in found.iter().zip(gradient.iter()) {
                prop_assert!(*x >= 0.0);
                prop_assert!(*g < 1e-8 && (*x == 0.0 || g.abs() < 1e-8), "{} {}", x, g);
            }
        }
    }

    #[test]
    fn covariance_is_what_repeats_scatter_by() {
        let (design, mut random) = (line(20), rand_chacha::ChaCha8Rng::seed_from_u64(5));
        let deviations: Vec<f64> = (0..20).map(|i| 0.5 + 0.1 * f64::from(i)).collect();
        let weights: Vec<f64> = deviations.iter().map(|d| 1.0 / (d * d)).collect();
        let (mut squares, mut chi, mut stated) = (0.0, 0.0, 0.0);
        for _ in 0..2000 {
            let noise = deviations.iter().map(|d| {
                let z: f64 = StandardNormal.sample(&mut random);
                d * z
            });
            let fit = least_squares(&design, &noise.collect::<Vec<_>>(), &weights).unwrap();
            squares += fit.coefficients[1].powi(2) / 2000.0;
            chi += fit.chi_square / fit.degrees as f64 / 2000.0;
            stated = fit.covariance[(1, 1)];
        }
        assert!((squares / stated - 1.0).abs() < 0.1, "{squares} {stated}");
        assert!((chi - 1.0).abs() < 0.05, "{chi}");
    }

    #[test]
    fn a_robust_line_passes_outliers_by() {
        let mut observed: Vec<f64> = (0..40)
            .map(|i| 2.0 + 0.5 * f64::from(i) + 0.01 * f64::from(i % 3))
            .collect();
        for spoiled in observed.iter_mut().step_by(5) {
            *spoiled += 30.0;
        }
        let fit = robust_least_squares(&line(40), &observed, &[1.0; 40], Loss::Tukey).unwrap();
        assert!(
            (fit.coefficients[1] - 0.5).abs() < 1e-3,
            "{}",
            fit.coefficients
        );
        let plain = least_squares(&line(40), &observed, &[1.0; 40]).unwrap();
        assert!((plain.coefficients[0] - 2.0).abs() > 1.0);
    }

    #[test]
    fn refusals() {
        let design = line(3);
        assert!(least_squares(&design, &[1.0, 2.0], &[1.0; 3]).is_none());
        assert!(least_squares(&design, &[1.0, 2.0, f64::NAN], &[1.0; 3]).is_none());
        assert!(least_squares(&design, &[1.0, 2.0, 3.0], &[1.0, 0.0, 0.0]).is_none());
        assert!(least_squares(&design, &[1.0, 2.0, 3.0], &[1.0, -1.0, 1.0]).is_none());
        let twice = DMatrix::from_fn(4, 2, |i, j| (i + 1) as f64 * (j + 1) as f64);
        assert!(least_squares(&twice, &[1.0; 4], &[1.0; 4]).is_none());
        let exact = least_squares(&line(2), &[1.0, 3.0], &[1.0; 2]).unwrap();
        assert!(
            exact.residual_deviation().is_none() && (exact.coefficients[1] - 2.0).abs() < 1e-12
        );
        assert_eq!(exact.standard_uncertainty(7), None);
        assert!(non_negative_least_squares(&design, &[f64::NAN, 0.0, 0.0]).is_none());
        let flat = robust_least_squares(&line(5), &[1.0; 5], &[1.0; 5], Loss::Huber).unwrap();
        assert!((flat.coefficients[0] - 1.0).abs() < 1e-12);
    }
}
