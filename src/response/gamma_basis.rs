//! Generalised gamma curve: log exposure as a polynomial exponent times log level.
//!
//! Source: Ng, Chang and Tsui (2007), in its inverse form `g(B) = B^P(B)` with a polynomial exponent, so that
//! `log2 g = sum_i a_i B^i log2 B` is linear in its coefficients; and the sRGB curve (IEC 61966-2-1) beside it, because
//! its linear toe, which many cameras share, is not in that family.

/// Terms of the polynomial exponent; four fit measured camera curves to about 0.005 of full scale, five leave the rest
/// to the table that is laid over it.
pub(crate) const TERMS: usize = 5;

/// Number of columns of [`row`]: the terms, the sRGB curve and a constant.
pub(crate) const COLUMNS: usize = TERMS + 2;

/// The basis functions at a level (fraction of full scale): `B^i log2 B` for i in 0..TERMS, log2 of sRGB's
/// exposure, then 1.
pub(crate) fn row(level: f64) -> [f64; COLUMNS] {
    // A quarter of an 8-bit code stands for level 0, where the logarithm has no value.
    let level = level.max(0.25 / 255.0);
    let mut out = [1.0; COLUMNS];
    let mut power = level.log2();
    for value in out.iter_mut().take(TERMS) {
        *value = power;
        power *= level;
    }
    out[TERMS] = crate::units::srgb_exposure(level).log2();
    out
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
