//! CIE 1976 lightness (CIE 15; ISO/CIE 11664-4).

/// L* (0..=100 for 0..=white) of a luminance relative to white, `y` = Y/Yn; negative values count as 0.
pub fn lightness(y: f64) -> f64 {
    const EPSILON: f64 = 216.0 / 24389.0;
    const KAPPA: f64 = 24389.0 / 27.0;
    let y = y.max(0.0);
    if y > EPSILON {
        116.0 * y.cbrt() - 16.0
    } else {
        KAPPA * y
    }
}
