//! Response as a table by least squares with a curvature penalty: Debevec and Malik (1997).
//!
//! Log exposure `G(z)` at codes 0..=255 and the log radiance of every pixel minimise their equation 4,
//! `sum (w(Z_ij) [G(Z_ij) - ln E_i - ln t_j])^2 + sum (lambda w(z) G''(z))^2`, `G(128) = 0`, hat weights `w`. The
//! smoothness weight multiplies the row, as in the program printed with the paper, hence enters the sum squared. Each
//! radiance occurs in its own pixel's rows alone and is eliminated first, which leaves 255 unknowns for any number of
//! pixels.
//!
//! # When to choose it
//!
//! Response setting `least-squares-table`: where the program reports that the curve is flat just below its clip level, and for
//! comparison with results of the published method. Error against the true curve, stops, on the 33 simulated brackets of the
//! [crate's table](crate):
//!
//! | | this method | default |
//! |---|---|---|
//! | median | 0.084 | 0.003 |
//! | 90th percentile | 0.21 | 0.06 |
//! | largest | 0.36 | 0.57 |
//! | sine, +-1 EV | 0.17 | 0.31 |
//! | sine, +-2 EV | 0.10 | 0.14 |
//! | sine, 1:2:3 | 0.21 | 0.57 |
//!
//! It is nearer to the truth than the default only for the sine, whose slope is zero where it clips. Of the three published
//! methods it is the nearest in 19 of the 33 brackets, and it refuses none. Its costs: exposures are taken as stated and
//! colour balance is not measured; and it states no uncertainty, so that the root mean square residual is given at every code.
//! The numbers are printed by the ignored test `study_of_curves`.
use nalgebra::{DMatrix, DVector};

const NODES: usize = 256;
/// The code of log exposure 0.
const PIN: usize = 128;

/// Default smoothness weight (common practice, no source).
pub(crate) const LAMBDA: f64 = 10.0;

/// Hat weight of a code: its distance from the nearer end of the scale.
fn hat(code: usize) -> f64 {
    code.min(255 - code) as f64
}

/// Natural log of relative exposure at codes 0..=255, 0 at code 128; not made monotone.
///
/// `samples` are the 8-bit codes of single pixels by frame, `times` the relative exposures of the frames (> 0), `lambda`
/// the smoothness weight (> 0). `None` unless N pixels in P frames satisfy N (P - 1) >= 255, as the paper asks, and
/// some pixel has two different codes.
pub fn fit(samples: &[Vec<u8>], times: &[f64], lambda: f64) -> Option<Vec<f64>> {
    if samples.len() * times.len().saturating_sub(1) < NODES - 1
        || samples.iter().any(|p| p.len() != times.len())
        || times.iter().any(|&t| t.is_nan() || t <= 0.0)
        || !samples.iter().any(|pixel| is_informative(pixel))
    {
        return None;
    }
    let logs: Vec<f64> = times.iter().map(|t| t.ln()).collect();
    let mut matrix = DMatrix::<f64>::zeros(NODES, NODES);
    let mut right = DVector::<f64>::zeros(NODES);
    for pixel in samples {
        add_pixel(&mut matrix, &mut right, pixel, &logs);
    }
    add_curvature(&mut matrix, lambda);
    // The pinned entry is 0: its equation and column are removed.
    matrix.row_mut(PIN).fill(0.0);
    matrix.column_mut(PIN).fill(0.0);
    matrix[(PIN, PIN)] = 1.0;
    right[PIN] = 0.0;
    let table = matrix.cholesky()?.solve(&right);
    let finite = table.iter().all(|v| v.is_finite());
    finite.then(|| table.as_slice().to_vec())
}

/// True if a pixel has two different codes with a weight.
fn is_informative(pixel: &[u8]) -> bool {
    let mut counting = pixel.iter().filter(|&&c| hat(usize::from(c)) > 0.0);
    let first = counting.next();
    counting.any(|c| Some(c) != first)
}

/// Adds the rows of a pixel with its radiance eliminated: `sum u_j (G(Z_j) - ln t_j - mean)^2` with `u = w^2`.
fn add_pixel(matrix: &mut DMatrix<f64>, right: &mut DVector<f64>, pixel: &[u8], logs: &[f64]) {
    let entries: Vec<(usize, f64, f64)> = pixel
        .iter()
        .zip(logs)
        .map(|(&code, &log)| (usize::from(code), hat(usize::from(code)).powi(2), log))
        .filter(|e| e.1 > 0.0)
        .collect();
    let total: f64 = entries.iter().map(|e| e.1).sum();
    let mean = entries.iter().map(|e| e.1 * e.2).sum::<f64>() / total;
    for &(i, u, log) in &entries {
        matrix[(i, i)] += u;
        right[i] += u * (log - mean);
        for &(k, v, _) in &entries {
            matrix[(i, k)] -= u * v / total;
        }
    }
}

/// Adds the squared second differences of the table.
fn add_curvature(matrix: &mut DMatrix<f64>, lambda: f64) {
    for code in 1..NODES - 1 {
        let weight = (lambda * hat(code)).powi(2);
        let terms = [(code - 1, 1.0), (code, -2.0), (code + 1, 1.0)];
        for (i, a) in terms {
            for (k, b) in terms {
                matrix[(i, k)] += weight * a * b;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Pixels of a camera whose code is 255 x^(1/gamma), rounded, in frames of the given times.
    fn pixels(gamma: f64, times: &[f64]) -> Vec<Vec<u8>> {
        let code = |x: f64| (255.0 * x.min(1.0).powf(1.0 / gamma)).round() as u8;
        let radiances = (0..600).map(|i| (-9.0 + 10.0 * f64::from(i) / 600.0).exp2());
        radiances
            .map(|e| times.iter().map(|t| code(e * t)).collect())
            .collect()
    }

    #[test]
    fn a_power_law_comes_back() {
        let times = [0.5, 1.0, 2.0];
        let table = fit(&pixels(2.2, &times), &times, LAMBDA).unwrap();
        for code in (20..=240).step_by(10) {
            let truth = 2.2 * (code as f64 / 128.0).ln();
            assert!(
                (table[code] - truth).abs() < 0.03,
                "{code}: {}",
                table[code]
            );
        }
    }

    /// The slow twin: every radiance kept as an unknown, the rows of the paper's printed program, solved by singular
    /// values.
    #[test]
    fn eliminating_the_radiances_changes_nothing() {
        let times = [0.5, 1.0, 2.0];
        let samples: Vec<Vec<u8>> = pixels(1.8, &times).into_iter().step_by(4).collect();
        let (n, p) = (samples.len(), times.len());
        let mut a = DMatrix::<f64>::zeros(n * p + 255, NODES + n);
        let mut b = DVector::<f64>::zeros(n * p + 255);
        for (i, pixel) in samples.iter().enumerate() {
            for (j, &code) in pixel.iter().enumerate() {
                let (row, w) = (i * p + j, hat(usize::from(code)));
                a[(row, usize::from(code))] = w;
                a[(row, NODES + i)] = -w;
                b[row] = w * times[j].ln();
            }
        }
        a[(n * p, PIN)] = 1.0;
        for code in 1..NODES - 1 {
            for (at, value) in [(code - 1, 1.0), (code, -2.0), (code + 1, 1.0)] {
                a[(n * p + code, at)] = LAMBDA * hat(code) * value;
            }
        }
        let slow = a.svd(true, true).solve(&b, 1e-12).unwrap();
        let quick = fit(&samples, &times, LAMBDA).unwrap();
        let worst = (0..NODES)
            .map(|z| (quick[z] - slow[z]).abs())
            .fold(0.0, f64::max);
        assert!(worst < 1e-6, "{worst}");
    }

    #[test]
    fn too_little_is_refused() {
        let times = [0.5, 1.0, 2.0];
        assert!(fit(&pixels(2.2, &times)[..127], &times, LAMBDA).is_none());
        assert!(fit(&vec![vec![255; 3]; 500], &times, LAMBDA).is_none());
        assert!(fit(&vec![vec![90; 3]; 500], &times, LAMBDA).is_none());
        assert!(fit(&[], &[], LAMBDA).is_none());
    }
}
