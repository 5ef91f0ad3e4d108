//! Location, scale and quantiles that resist outliers.
//!
//! Quantiles are type 7 of Hyndman and Fan (1996). M-estimates are those of Huber (1964) and of Beaton and Tukey
//! (1974), solved by reweighting from the median with the scale fixed at the median absolute deviation.
use super::{finite, moments::compensated_sum};

/// Consistency factor of the median absolute deviation for normal noise: 1 / 0.674490.
pub const MAD_TO_DEVIATION: f64 = 1.482_602_218_505_602;

/// Loss function of an M-estimate. The constants give 95 % efficiency for normal noise (Holland and Welsch 1977).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Loss {
    /// Huber: constant influence beyond 1.345 scale units. The minimum is unique.
    Huber,
    /// Tukey's biweight: no influence beyond 4.685 scale units.
    Tukey,
}

impl Loss {
    /// Weight of a residual of `u` scale units, 0..=1: 1 at 0 and decreasing to both sides.
    pub fn weight(self, u: f64) -> f64 {
        match self {
            Loss::Huber if u.abs() <= 1.345 => 1.0,
            Loss::Huber => 1.345 / u.abs(),
            Loss::Tukey if u.abs() < 4.685 => (1.0 - (u / 4.685).powi(2)).powi(2),
            Loss::Tukey => 0.0,
        }
    }

    /// Derivative of the influence `u * weight(u)`.
    fn influence_slope(self, u: f64) -> f64 {
        match self {
            Loss::Huber => f64::from(u.abs() <= 1.345),
            Loss::Tukey if u.abs() < 4.685 => {
                let q = (u / 4.685).powi(2);
                (1.0 - q) * (1.0 - 5.0 * q)
            }
            Loss::Tukey => 0.0,
        }
    }
}

/// A robust location with its standard uncertainty, both in the values' unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Location {
    /// The location.
    pub value: f64,
    /// Standard uncertainty of the location from the scatter of the values (Huber 1981, asymptotic), assumed
    /// independent; >= 0.
    pub standard_uncertainty: f64,
    /// Scale used, one sigma of a value; if deviations were given, of a value divided by its deviation.
    pub scale: f64,
}

/// The p-quantile, p in 0..=1, of values in any order, by linear interpolation (type 7). `None` for an empty list, a
/// value that is not finite, or p out of range.
pub fn quantile<T: Copy + Into<f64>>(values: &[T], p: f64) -> Option<f64> {
    let mut values = finite(values)?;
    if !(0.0..=1.0).contains(&p) {
        return None;
    }
    let position = p * (values.len() - 1) as f64;
    let index = position.floor() as usize;
    let (_, &mut low, above) = values.select_nth_unstable_by(index, f64::total_cmp);
    let part = position - index as f64;
    if part == 0.0 || above.is_empty() {
        return Some(low);
    }
    let high = above.iter().copied().fold(f64::INFINITY, f64::min);
    Some(low + part * (high - low))
}

/// The median. `None` for an empty list or a value that is not finite.
pub fn median<T: Copy + Into<f64>>(values: &[T]) -> Option<f64> {
    quantile(values, 0.5)
}

/// Median absolute deviation from the median times 1.4826, >= 0: one sigma of normal noise.
pub fn median_deviation<T: Copy + Into<f64>>(values: &[T]) -> Option<f64> {
    let values = finite(values)?;
    let centre = median(&values)?;
    deviation_from(&values, centre)
}

/// One sigma of normal noise from the median of `|v - centre|`.
fn deviation_from(values: &[f64], centre: f64) -> Option<f64> {
    let far: Vec<f64> = values.iter().map(|v| (v - centre).abs()).collect();
    Some(median(&far)? * MAD_TO_DEVIATION)
}

/// Scale of standardised residuals: the median absolute deviation times 1.4826. If more than half the values
/// coincide, as coarse codes do, the mean absolute deviation times sqrt(pi/2); 0 only if all coincide.
pub(super) fn residual_scale(residuals: &[f64]) -> Option<f64> {
    let scale = deviation_from(residuals, 0.0)?;
    if scale > 0.0 {
        return Some(scale);
    }
    let total = compensated_sum(residuals.iter().map(|r| r.abs()));
    Some(total / residuals.len() as f64 * (std::f64::consts::PI / 2.0).sqrt())
}

/// M-estimate of location of equally weighted values. `None` for an empty list or a value that is not finite.
pub fn location(values: &[f64], loss: Loss) -> Option<Location> {
    weighted_location(values, &vec![1.0; values.len()], loss)
}

/// M-estimate of location of values with standard deviations (> 0; only their ratios matter, the common scale is
/// estimated). `None` if lengths differ, there are no values, a number is not finite, or a deviation is not positive.
pub fn weighted_location(values: &[f64], deviations: &[f64], loss: Loss) -> Option<Location> {
    if values.len() != deviations.len() || deviations.iter().any(|&d| d <= 0.0) {
        return None;
    }
    let (values, deviations) = (finite(values)?, finite(deviations)?);
    let standard = |centre: f64| -> Vec<f64> {
        let pairs = values.iter().zip(&deviations);
        pairs.map(|(v, d)| (v - centre) / d).collect()
    };
    let mut centre = median(&values)?;
    let scale = residual_scale(&standard(centre))?;
    if scale == 0.0 || values.len() == 1 {
        return Some(Location {
            value: centre,
            standard_uncertainty: 0.0,
            scale,
        });
    }
    for _ in 0..200 {
        let next = reweighted(&values, &deviations, &standard(centre), scale, loss)?;
        let step = next - centre;
        centre = next;
        if step.abs() <= 1e-14 * scale * deviations.iter().copied().fold(f64::INFINITY, f64::min) {
            break;
        }
    }
    let spread = spread_of_location(&deviations, &standard(centre), scale, loss)?;
    Some(Location {
        value: centre,
        standard_uncertainty: spread,
        scale,
    })
}

/// One reweighting step.
fn reweighted(
    values: &[f64],
    deviations: &[f64],
    residuals: &[f64],
    scale: f64,
    loss: Loss,
) -> Option<f64> {
    let weights: Vec<f64> = residuals
        .iter()
        .zip(deviations)
        .map(|(r, d)| loss.weight(r / scale) / (d * d))
        .collect();
    let total = compensated_sum(weights.iter().copied());
    let sum = compensated_sum(weights.iter().zip(values).map(|(w, v)| w * v));
    (total > 0.0).then(|| sum / total)
}

/// Asymptotic standard uncertainty: `s sqrt(n/(n-1) sum(psi^2/d^2)) / sum(psi'/d^2)`.
fn spread_of_location(
    deviations: &[f64],
    residuals: &[f64],
    scale: f64,
    loss: Loss,
) -> Option<f64> {
    let n = residuals.len() as f64;
    let (mut force, mut slope) = (0.0, 0.0);
    for (r, d) in residuals.iter().zip(deviations) {
        let u = r / scale;
        force += (u * loss.weight(u) / d).powi(2);
        slope += loss.influence_slope(u) / (d * d);
    }
    (slope > 0.0).then(|| scale * (force * n / (n - 1.0)).sqrt() / slope)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    fn sorted_quantile(values: &[f64], p: f64) -> f64 {
        let mut sorted = values.to_vec();
        sorted.sort_by(f64::total_cmp);
        let at = p * (sorted.len() - 1) as f64;
        let low = sorted[at.floor() as usize];
        low + (at - at.floor()) * (sorted[at.ceil() as usize] - low)
    }

    proptest! {
        #[test]
        fn quantile_equals_sorting(values in prop::collection::vec(-50.0..50.0f64, 1..40), p in 0.0..=1.0f64) {
            prop_assert!((quantile(&values, p).unwrap() - sorted_quantile(&values, p)).abs() < 1e-12);
        }

        /// The slow twin: halving the interval on the estimating equation, which falls with the centre for Huber.
        #[test]
        fn huber_solves_its_equation(values in prop::collection::vec(-50.0..50.0f64, 3..40)) {
            let found = location(&values, Loss::Huber).unwrap();
            let pull = |m: f64| values.iter().map(|v| {
                let u = (v - m) / found.scale;
                u * Loss::Huber.weight(u)
            }).sum::<f64>();
            let (mut low, mut high) = (-50.0, 50.0);
            for _ in 0..100 {
                let middle = 0.5 * (low + high);
                if pull(middle) > 0.0 { low = middle } else { high = middle }
            }
            // Reweighting stops after 200 steps; on a nearly flat equation that leaves a little.
            prop_assert!(pull(found.value).abs() < 1e-6 || (found.value - low).abs() < 1e-6);
        }

        #[test]
        fn location_moves_and_stretches_with_the_values(
            values in prop::collection::vec(-50.0..50.0f64, 3..30), shift in -9.0..9.0f64, factor in 0.1..9.0f64,
        ) {
            for loss in [Loss::Huber, Loss::Tukey] {
                let plain = location(&values, loss).unwrap();
                let other: Vec<f64> = values.iter().map(|v| v * factor + shift).collect();
                let moved = location(&other, loss).unwrap();
                prop_assert!((moved.value - (plain.value * factor + shift)).abs() < 1e-6 * factor.max(1.0));
            }
        }
    }

    /// R documentation of quantile(), type 7, on 1..10: 10 % is 1.9, 25 % is 3.25.
    #[test]
    fn type_seven() {
        let ten: Vec<f64> = (1..=10).map(f64::from).collect();
        assert!((quantile(&ten, 0.1).unwrap() - 1.9).abs() < 1e-15);
        assert!((quantile(&ten, 0.25).unwrap() - 3.25).abs() < 1e-15);
        assert_eq!(quantile(&ten, 1.0), Some(10.0));
        assert_eq!(quantile(&ten, 1.1), None);
    }

    #[test]
    fn a_third_of_nonsense_is_ignored() {
        let mut values: Vec<f64> = (0..60).map(|i| 10.0 + f64::from(i % 7) * 0.01).collect();
        values.extend([900.0; 25]);
        let tukey = location(&values, Loss::Tukey).unwrap();
        assert!((tukey.value - 10.03).abs() < 0.01, "{tukey:?}");
        assert!((median(&values).unwrap() - 10.03).abs() < 0.03);
    }

    /// The stated uncertainty must cover the truth about as often as it says, and the efficiency must be near 95 %.
    #[test]
    fn stated_uncertainty_is_true() {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(11);
        for loss in [Loss::Huber, Loss::Tukey] {
            let (mut inside, mut squares) = (0, 0.0);
            for _ in 0..2000 {
                let values: Vec<f64> = (0..100)
                    .map(|_| StandardNormal.sample(&mut random))
                    .collect();
                let found = location(&values, loss).unwrap();
                inside += u32::from(found.value.abs() < found.standard_uncertainty);
                squares += found.value * found.value;
            }
            let share = f64::from(inside) / 2000.0;
            assert!((0.65..0.71).contains(&share), "{loss:?} covers {share}");
            let efficiency = 0.01 / (squares / 2000.0);
            assert!((0.89..1.01).contains(&efficiency), "{loss:?} {efficiency}");
        }
    }

    #[test]
    fn coarse_codes_and_bad_input() {
        let codes = [5.0, 5.0, 5.0, 5.0, 6.0, 5.0, 4.0, 5.0];
        assert_eq!(median_deviation(&codes), Some(0.0));
        let found = location(&codes, Loss::Huber).unwrap();
        assert!(found.standard_uncertainty > 0.0 && (found.value - 5.0).abs() < 0.1);
        assert_eq!(location(&[3.0; 4], Loss::Tukey).unwrap().value, 3.0);
        assert_eq!(location(&[], Loss::Huber), None);
        assert_eq!(location(&[1.0, f64::NAN], Loss::Huber), None);
        assert_eq!(weighted_location(&[1.0], &[0.0], Loss::Huber), None);
        assert_eq!(median(&[2.0f32, 1.0, 4.0]), Some(2.0));
    }
}
