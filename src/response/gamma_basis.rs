//! Generalised gamma curve: log exposure as a polynomial exponent times log level.
//!
//! Source: Ng, Chang and Tsui (2007), in its inverse form `g(B) = B^P(B)` with a polynomial exponent, so that
//! `log2 g = sum_i a_i B^i log2 B` is linear in its coefficients; and the sRGB curve (IEC 61966-2-1) beside it, because
//! its linear toe, which many cameras share, is not in that family.
use nalgebra::{DMatrix, DVector};
use std::sync::OnceLock;
use stopspan_core::units::Estimate;

/// Number of terms of the polynomial exponent. Four fit measured camera curves to about 0.005 of full scale; with five the
/// residual is left to the table fitted on top.
pub(crate) const TERMS: usize = 5;

/// Number of columns of [`row`]: the terms, the sRGB curve and a constant.
pub(crate) const COLUMNS: usize = TERMS + 2;

/// The basis functions at a level (fraction of full scale): `B^i log2 B` for i in 0..TERMS, log2 of sRGB's
/// exposure, then 1.
pub(crate) fn row(level: f64) -> [f64; COLUMNS] {
    // At level 0, where the logarithm is undefined, a quarter of an 8-bit code is used instead.
    let level = level.max(0.25 / 255.0);
    let mut out = [1.0; COLUMNS];
    let mut power = level.log2();
    for value in out.iter_mut().take(TERMS) {
        *value = power;
        power *= level;
    }
    out[TERMS] = stopspan_core::units::srgb_exposure(level).log2();
    out
}

/// The basis at every 8-bit code, computed once.
pub(crate) fn by_code() -> &'static [[f64; COLUMNS]; 256] {
    static ONCE: OnceLock<[[f64; COLUMNS]; 256]> = OnceLock::new();
    ONCE.get_or_init(|| std::array::from_fn(|code| row(code as f64 / 255.0)))
}

/// Prior of the coefficients: mean and inverse covariance over the curves of [`USUAL`] combined with S-curves.
pub(crate) struct Usual {
    pub mean: DVector<f64>,
    pub precision: DMatrix<f64>,
    /// Covariance of the coefficients of the curves themselves.
    scatter: DMatrix<f64>,
}

impl Usual {
    /// The prior scaled to the steepness of `table` (log2 exposure by 8-bit code). Every power of a curve fits the pixels as
    /// well as the curve itself, so only its shape is compared with the prior.
    pub(crate) fn as_steep_as(&self, table: &[f64]) -> Usual {
        let at = |code: usize| -> f64 {
            let row = by_code()[code].iter();
            row.zip(self.mean.iter()).map(|(r, a)| r * a).sum()
        };
        let (low, high) = (40, 230);
        let factor = (table[high] - table[low]) / (at(high) - at(low));
        let factor = if factor.is_finite() {
            factor.clamp(0.1, 10.0)
        } else {
            1.0
        };
        Usual {
            mean: &self.mean * factor,
            precision: &self.precision / (factor * factor),
            scatter: &self.scatter * (factor * factor),
        }
    }

    /// Stops between two 8-bit codes: mean and standard deviation over the curves.
    pub(crate) fn stops_between(&self, low: usize, high: usize) -> Estimate {
        let codes = by_code();
        let between = codes[high].iter().zip(&codes[low]).map(|(h, l)| h - l);
        let row = DVector::from_iterator(COLUMNS, between);
        let variance = (&self.scatter * &row).dot(&row);
        Estimate::new(row.dot(&self.mean), variance.max(0.0).sqrt())
    }
}

/// Encodings of light (0..=1 to 0..=1) used by cameras and standards, and logarithmic shoulders as of film.
const USUAL: [fn(f64) -> f64; 11] = [
    stopspan_core::units::srgb_level,
    bt709,
    |x| x.powf(1.0 / 1.8),
    |x| x.powf(1.0 / 2.2),
    |x| x.powf(1.0 / 2.6),
    lightness,
    |x| shoulder(x, 3.0),
    |x| shoulder(x, 10.0),
    |x| shoulder(x, 30.0),
    |x| shoulder(x, 100.0),
    |x| x,
];
/// Weights of the S-curve `3 y^2 - 2 y^3` combined with each.
const CONTRASTS: [f64; 4] = [0.0, 0.3, 0.6, 0.9];
/// Factor on the scatter of the prior, since cameras may use other encodings.
const WIDER: f64 = 2.0;

/// Bisections of 24 stops to invert a curve, to 2e-6 stop.
const HALVINGS: usize = 24;

/// Recommendation ITU-R BT.709.
fn bt709(x: f64) -> f64 {
    if x < 0.018 {
        4.5 * x
    } else {
        1.099 * x.powf(0.45) - 0.099
    }
}

/// CIE 1976 lightness, over 100.
fn lightness(y: f64) -> f64 {
    if y <= 216.0 / 24389.0 {
        y * 24389.0 / 2700.0
    } else {
        1.16 * y.cbrt() - 0.16
    }
}

/// Logarithmic shoulder of strength `k`.
fn shoulder(x: f64, k: f64) -> f64 {
    (k * x).ln_1p() / k.ln_1p()
}

/// The prior, computed once.
pub(crate) fn usual() -> &'static Usual {
    static ONCE: OnceLock<Usual> = OnceLock::new();
    ONCE.get_or_init(|| {
        let curves = USUAL.iter().flat_map(|encode| {
            CONTRASTS.map(|amount| {
                coefficients(|x| {
                    let y = encode(x);
                    (1.0 - amount) * y + amount * y * y * (3.0 - 2.0 * y)
                })
            })
        });
        let curves: Vec<DVector<f64>> = curves.collect();
        let count = curves.len() as f64;
        let mean = curves.iter().sum::<DVector<f64>>() / count;
        let mut scatter = DMatrix::<f64>::zeros(COLUMNS, COLUMNS);
        for curve in &curves {
            let away = curve - &mean;
            scatter += &away * away.transpose() / count;
        }
        let covariance =
            DMatrix::<f64>::identity(COLUMNS, COLUMNS) * 1e-4 + &scatter * (WIDER * WIDER);
        // Positive definite, so the inverse exists.
        let precision = covariance
            .try_inverse()
            .unwrap_or_else(|| DMatrix::identity(COLUMNS, COLUMNS) * 1e-6);
        Usual {
            mean,
            precision,
            scatter,
        }
    })
}

/// Least-squares coefficients of the inverse of an encoding, in log2 exposure over the levels.
fn coefficients(encode: impl Fn(f64) -> f64) -> DVector<f64> {
    let mut normal = DMatrix::<f64>::identity(COLUMNS, COLUMNS) * 1e-3;
    let mut right = DVector::<f64>::zeros(COLUMNS);
    for code in (1..=255).step_by(2) {
        let level = f64::from(code) / 255.0;
        let (mut low, mut high) = (-24.0f64, 0.0f64);
        for _ in 0..HALVINGS {
            let middle = (low + high) / 2.0;
            if encode(middle.exp2()) < level {
                low = middle;
            } else {
                high = middle;
            }
        }
        let row = DVector::from_row_slice(&row(level));
        normal.ger(1.0, &row, &row, 1.0);
        right.axpy(high, &row, 1.0);
    }
    let solved = normal.cholesky().map(|factors| factors.solve(&right));
    solved.unwrap_or_else(|| DVector::zeros(COLUMNS))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pure_gamma_is_the_first_term_alone() {
        // g = B^2.2: log2 g = 2.2 log2 B.
        let r = row(0.5);
        assert!((2.2 * r[0] - 0.5f64.powf(2.2).log2()).abs() < 1e-12);
        assert_eq!(r[COLUMNS - 1], 1.0);
    }
}
