//! Response as a polynomial: Mitsunaga and Nayar (1999).
//!
//! Exposure `g(M) = sum c_n M^n` at level M in 0..=1 with `g(1) = 1` minimises the sum over pixels and successive frames
//! of `(g(M_q) - R g(M_q+1))^2`. The ratio R of two exposures is held at the stated one. Estimated together with the curve,
//! as the paper also does, it would be limited only by the order of the polynomial (Grossberg and Nayar 2003). The basis is
//! the Chebyshev polynomials, which are all 1 at M = 1: the same curves, better conditioned than powers.
//!
//! # When to choose it
//!
//! Response setting `polynomial`: for comparison with results of the published method. Error against the true curve, stops, on
//! the 33 simulated brackets of the [crate's table](crate):
//!
//! | | this method | default |
//! |---|---|---|
//! | median | 0.077 | 0.003 |
//! | 90th percentile | refused in 6 of 33 | 0.06 |
//! | largest in the other 27 | 0.36 | 0.06 |
//!
//! It is nowhere nearer to the truth than the default. Of the three published methods it has the lowest median and is the
//! nearest in 10 of the 33 brackets. Its costs: it refuses the power of 2.6 and the sine at all three steps, where no
//! order gives an increasing curve; exposures are taken as stated and colour balance is not measured; and it states
//! no uncertainty, so that the root mean square residual is given at every code.
//! The numbers are printed by the ignored test `study_of_curves`.
use nalgebra::{DMatrix, DVector};

/// Highest order tried, as in the paper.
const HIGHEST_ORDER: usize = 10;
/// Codes used: nearer to the ends samples are clipped, or their relative rounding error is too large.
const CODES: std::ops::RangeInclusive<u8> = 3..=252;
/// Least number of pairs for each coefficient of an order.
const PAIRS_A_TERM: usize = 20;

/// Relative exposure at codes 0..=255, 1 at code 255; not made monotone.
///
/// `samples` are the 8-bit codes of single pixels by frame, `times` the relative exposures of the frames (> 0), increasing.
/// Of the orders 1 to 10 that increase between codes 10 and 245, the one with the least residual per degree of freedom is
/// taken; `None` if there is none.
pub fn fit(samples: &[Vec<u8>], times: &[f64]) -> Option<Vec<f64>> {
    if samples.iter().any(|p| p.len() != times.len())
        || times.iter().any(|&t| t.is_nan() || t <= 0.0)
    {
        return None;
    }
    let normal = Normal::of(samples, times);
    let mut best: Option<(f64, Vec<f64>)> = None;
    for order in 1..=HIGHEST_ORDER {
        let Some((residual, coefficients)) = normal.solve(order) else {
            continue;
        };
        let table: Vec<f64> = (0..=255u8).map(|z| value(&coefficients, z)).collect();
        let rises = table[10..=245].windows(2).all(|w| w[1] > w[0]) && table[10] > 0.0;
        if rises && best.as_ref().is_none_or(|b| residual < b.0) {
            best = Some((residual, table));
        }
    }
    best.map(|b| b.1)
}

/// Chebyshev polynomials of order 0..=10 at a code, with 0..=255 scaled to -1..=1.
fn chebyshev(code: u8) -> [f64; HIGHEST_ORDER + 1] {
    let x = 2.0 * f64::from(code) / 255.0 - 1.0;
    let mut out = [1.0; HIGHEST_ORDER + 1];
    out[1] = x;
    for n in 2..=HIGHEST_ORDER {
        out[n] = 2.0 * x * out[n - 1] - out[n - 2];
    }
    out
}

/// Value of the polynomial at a code.
fn value(coefficients: &[f64], code: u8) -> f64 {
    let terms = chebyshev(code);
    coefficients.iter().zip(terms).map(|(c, t)| c * t).sum()
}

/// Sums of products of the differences `T_n(M_q) - R T_n(M_q+1)` over all pairs, for every order at once.
struct Normal {
    products: DMatrix<f64>,
    pairs: usize,
}

impl Normal {
    fn of(samples: &[Vec<u8>], times: &[f64]) -> Self {
        const N: usize = HIGHEST_ORDER + 1;
        let terms: Vec<[f64; N]> = (0..=255).map(chebyshev).collect();
        let (mut products, mut pairs) = (DMatrix::<f64>::zeros(N, N), 0);
        for pixel in samples {
            for (codes, time) in pixel.windows(2).zip(times.windows(2)) {
                if !codes.iter().all(|c| CODES.contains(c)) {
                    continue;
                }
                let ratio = time[0] / time[1];
                let (a, b) = (&terms[usize::from(codes[0])], &terms[usize::from(codes[1])]);
                let row = DVector::from_fn(N, |n, _| a[n] - ratio * b[n]);
                products.ger(1.0, &row, &row, 1.0);
                pairs += 1;
            }
        }
        Normal { products, pairs }
    }

    /// Residual variance and coefficients of one order; the last coefficient is 1 less all others.
    fn solve(&self, order: usize) -> Option<(f64, Vec<f64>)> {
        if self.pairs < PAIRS_A_TERM * order {
            return None;
        }
        let p = &self.products;
        let last = order;
        let matrix = DMatrix::from_fn(order, order, |i, k| {
            p[(i, k)] - p[(i, last)] - p[(last, k)] + p[(last, last)]
        });
        let right = DVector::from_fn(order, |i, _| p[(last, last)] - p[(i, last)]);
        let found = matrix.cholesky()?.solve(&right);
        let mut all = found.as_slice().to_vec();
        all.push(1.0 - found.sum());
        let c = DVector::from_column_slice(&all);
        let square = c.dot(&(p.view((0, 0), (order + 1, order + 1)) * &c));
        let residual = square.max(0.0) / (self.pairs - order) as f64;
        residual.is_finite().then_some((residual, all))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Pixels of a camera whose exposure is `curve` of the level.
    fn pixels(curve: impl Fn(f64) -> f64, times: &[f64]) -> Vec<Vec<u8>> {
        let levels: Vec<f64> = (0..=255).map(|z| curve(f64::from(z) / 255.0)).collect();
        let nearest = |x: f64| {
            let upper = levels.partition_point(|&l| l < x).min(255);
            let lower = upper.saturating_sub(1);
            (if x - levels[lower] < levels[upper] - x {
                lower
            } else {
                upper
            }) as u8
        };
        (0..3000)
            .map(|i| f64::from(i) / 1500.0)
            .map(|e| times.iter().map(|t| nearest(e * t)).collect())
            .collect()
    }

    #[test]
    fn a_cubic_comes_back() {
        let curve = |m: f64| 0.3 * m + 0.1 * m * m + 0.6 * m * m * m;
        let times = [0.25, 0.5, 1.0];
        let table = fit(&pixels(curve, &times), &times).unwrap();
        assert!((table[255] - 1.0).abs() < 1e-9);
        for code in (20..=250).step_by(10) {
            let truth = curve(code as f64 / 255.0);
            assert!(
                (table[code] / truth - 1.0).abs() < 0.01,
                "{code}: {}",
                table[code]
            );
        }
    }

    #[test]
    fn chebyshev_is_one_at_the_top() {
        assert_eq!(chebyshev(255), [1.0; HIGHEST_ORDER + 1]);
        // T_3(x) = 4 x^3 - 3 x.
        let x = 2.0 * 100.0 / 255.0 - 1.0f64;
        assert!((chebyshev(100)[3] - (4.0 * x * x * x - 3.0 * x)).abs() < 1e-12);
    }

    #[test]
    fn nothing_that_counts_is_refused() {
        assert!(fit(&[], &[1.0, 2.0]).is_none());
        assert!(fit(&vec![vec![255, 255]; 900], &[1.0, 2.0]).is_none());
    }
}
