//! Tests of significance: Welch's t test, Holm's correction, and the distributions they use (from `statrs`).
use statrs::distribution::{ChiSquared, ContinuousCDF, Normal, StudentsT};

/// A sample whose mean is to be compared.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// Mean.
    pub mean: f64,
    /// Standard deviation of one value, >= 0.
    pub deviation: f64,
    /// Effective sample size, > 1.
    pub effective_count: f64,
}

/// Outcome of Welch's test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Welch {
    /// Test statistic: difference of the means over its standard uncertainty.
    pub t: f64,
    /// Effective degrees of freedom (Satterthwaite 1946).
    pub degrees: f64,
    /// One-sided p value, 0..=1, of the hypothesis that the first mean is not greater.
    pub p: f64,
}

/// Tests whether the first mean is greater than the second, for unequal variances (Welch 1947). Without any scatter
/// the order of the means decides: p is 0 or 1, t infinite or 0. `None` if a number is not finite, a deviation is
/// negative or a count is not above 1.
pub fn welch_greater(first: &Sample, second: &Sample) -> Option<Welch> {
    let usable = |s: &Sample| {
        s.mean.is_finite()
            && s.deviation.is_finite()
            && s.deviation >= 0.0
            && s.effective_count.is_finite()
            && s.effective_count > 1.0
    };
    if !usable(first) || !usable(second) {
        return None;
    }
    let share = |s: &Sample| s.deviation * s.deviation / s.effective_count;
    let (a, b) = (share(first), share(second));
    let difference = first.mean - second.mean;
    if a + b <= 0.0 {
        let greater = difference > 0.0;
        return Some(Welch {
            t: if greater { f64::INFINITY } else { 0.0 },
            degrees: first.effective_count + second.effective_count - 2.0,
            p: if greater { 0.0 } else { 1.0 },
        });
    }
    let degrees = (a + b).powi(2)
        / (a * a / (first.effective_count - 1.0) + b * b / (second.effective_count - 1.0));
    let t = difference / (a + b).sqrt();
    let p = student_t_upper(t, degrees)?;
    Some(Welch { t, degrees, p })
}

/// Adjusted p values by the step-down procedure of Holm (1979), in the order given. Rejecting those at or below a
/// level keeps the family-wise error rate below it.
pub fn holm(p_values: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p_values.len()).collect();
    order.sort_by(|&i, &j| p_values[i].total_cmp(&p_values[j]));
    let mut adjusted = vec![1.0; p_values.len()];
    let mut highest = 0.0f64;
    for (rank, &index) in order.iter().enumerate() {
        let left = (p_values.len() - rank) as f64;
        highest = highest.max((left * p_values[index]).min(1.0));
        adjusted[index] = highest;
    }
    adjusted
}

/// Degrees of freedom that `statrs` handles; outside this range it panics on NaN or does not terminate. Above the
/// upper end Student's t equals the normal distribution to 1e-7.
fn usable_degrees(degrees: f64) -> Option<f64> {
    (degrees.is_finite() && degrees >= 0.1).then(|| degrees.min(1e7))
}

/// Probability that Student's t with `degrees` >= 0.1 (not necessarily integral) exceeds `t`. `None` out of range, or
/// for NaN.
pub fn student_t_upper(t: f64, degrees: f64) -> Option<f64> {
    let degrees = usable_degrees(degrees)?;
    if t.is_nan() {
        return None;
    }
    if t.is_infinite() {
        return Some(if t > 0.0 { 0.0 } else { 1.0 });
    }
    let p = StudentsT::new(0.0, 1.0, degrees).ok()?.sf(t);
    p.is_finite().then(|| p.clamp(0.0, 1.0))
}

/// Two-sided quantile k of Student's t with finite `degrees` >= 0.1: the interval -k..k has probability `coverage`
/// (0..=0.9999). `None` out of range.
pub fn student_t_factor(coverage: f64, degrees: f64) -> Option<f64> {
    let degrees = usable_degrees(degrees)?;
    if !(0.0..=0.9999).contains(&coverage) {
        return None;
    }
    let k = StudentsT::new(0.0, 1.0, degrees)
        .ok()?
        .inverse_cdf(0.5 + 0.5 * coverage);
    k.is_finite().then_some(k)
}

/// Probability that chi-square with `degrees` in 0.1..=1e9 exceeds a finite `value` >= 0; `None` out of range.
pub fn chi_square_upper(value: f64, degrees: f64) -> Option<f64> {
    if !value.is_finite() || value < 0.0 || !(0.1..=1e9).contains(&degrees) {
        return None;
    }
    let p = ChiSquared::new(degrees).ok()?.sf(value);
    p.is_finite().then(|| p.clamp(0.0, 1.0))
}

/// Probability that a standard normal value is at most `z`; `None` for NaN.
pub fn normal_cdf(z: f64) -> Option<f64> {
    (!z.is_nan()).then(|| Normal::standard().cdf(z))
}

/// Quantile of the standard normal distribution for a probability `p` in 0 < p < 1, else `None`.
pub fn normal_quantile(p: f64) -> Option<f64> {
    (p > 0.0 && p < 1.0).then(|| Normal::standard().inverse_cdf(p))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn close(found: f64, expected: f64) -> bool {
        (found - expected).abs() <= 1e-10 * expected.abs()
    }

    // Expected values: scipy 1.17.1, stats.t.sf, stats.chi2.sf, stats.norm.cdf, stats.norm.ppf, stats.t.ppf.
    #[test]
    fn distributions_agree_with_scipy() {
        let t = [
            (0.5, 1.0, 0.35241638234956674),
            (2.0, 3.7, 0.06090860095261699),
            (4.5, 12.0, 0.000363326460701846),
            (-1.2, 30.0, 0.8802348245551688),
            (12.0, 8.5, 6.377188259563394e-07),
        ];
        for (value, degrees, p) in t {
            assert!(
                close(student_t_upper(value, degrees).unwrap(), p),
                "{value}"
            );
        }
        let chi = [
            (0.5, 1.0, 0.47950012218695337),
            (16.919, 9.0, 0.049999640848349826),
            (60.0, 40.0, 0.02187346844139091),
            (250.0, 100.0, 7.76693640353949e-15),
        ];
        for (value, degrees, p) in chi {
            assert!(
                close(chi_square_upper(value, degrees).unwrap(), p),
                "{value}"
            );
        }
        let normal = [
            (-8.0, 6.22096057427174e-16),
            (-1.96, 0.024997895148220435),
            (0.3, 0.6179114221889526),
            (3.0, 0.9986501019683699),
        ];
        for (z, p) in normal {
            assert!(close(normal_cdf(z).unwrap(), p), "{z}");
        }
        let quantiles = [
            (1e-10, -6.361340902404056),
            (0.025, -1.9599639845400545),
            (0.7, 0.5244005127080407),
            (0.9995, 3.2905267314919255),
        ];
        for (p, z) in quantiles {
            assert!(close(normal_quantile(p).unwrap(), z), "{p}");
        }
        let factors = [
            (0.95, 1.0, 12.706204736174694),
            (0.95, 10.5, 2.2138402929187886),
            (0.9545, 100.0, 2.0253116527641972),
        ];
        for (coverage, degrees, k) in factors {
            let found = student_t_factor(coverage, degrees).unwrap();
            assert!(
                (found / k - 1.0).abs() < 1e-9,
                "{coverage} {degrees} {found}"
            );
        }
    }

    /// Expected: scipy 1.17.1, ttest_ind_from_stats(20, 1.5, 10, 18.6, 3.2, 25, equal_var=False, alternative='greater').
    #[test]
    fn welch_agrees_with_scipy() {
        let sample = |mean, deviation, effective_count| Sample {
            mean,
            deviation,
            effective_count,
        };
        let found = welch_greater(&sample(20.0, 1.5, 10.0), &sample(18.6, 3.2, 25.0)).unwrap();
        assert!(close(found.t, 1.7574298627996328), "{found:?}");
        assert!(close(found.p, 0.04421617549310134), "{found:?}");
        let turned = welch_greater(&sample(18.6, 3.2, 25.0), &sample(20.0, 1.5, 10.0)).unwrap();
        assert!((turned.p + found.p - 1.0).abs() < 1e-12);
        assert_eq!(
            welch_greater(&sample(2.0, 0.0, 5.0), &sample(1.0, 0.0, 5.0))
                .unwrap()
                .p,
            0.0
        );
        assert_eq!(
            welch_greater(&sample(1.0, 0.0, 5.0), &sample(1.0, 0.0, 5.0))
                .unwrap()
                .p,
            1.0
        );
        assert_eq!(
            welch_greater(&sample(1.0, 1.0, 1.0), &sample(1.0, 1.0, 5.0)),
            None
        );
        assert_eq!(
            welch_greater(&sample(f64::NAN, 1.0, 3.0), &sample(1.0, 1.0, 5.0)),
            None
        );
    }

    /// By hand: 0.01 x 4, 0.02 x 3, then 0.03 x 2 and 0.04 x 1 raised to the 0.06 before.
    #[test]
    fn holm_by_hand() {
        let found = holm(&[0.03, 0.01, 0.04, 0.02]);
        for (a, b) in found.iter().zip([0.06, 0.04, 0.06, 0.06]) {
            assert!((a - b).abs() < 1e-15);
        }
        assert!(holm(&[]).is_empty());
    }

    proptest! {
        /// No input may make `statrs` panic or return NaN.
        #[test]
        fn any_number_is_answered(a in any::<f64>(), b in any::<f64>()) {
            for p in [student_t_upper(a, b), chi_square_upper(a, b), normal_cdf(a)].into_iter().flatten() {
                prop_assert!((0.0..=1.0).contains(&p), "{} {} {}", a, b, p);
            }
            for z in [student_t_factor(a, b), normal_quantile(a)].into_iter().flatten() {
                prop_assert!(z.is_finite());
            }
        }

        #[test]
        fn usual_degrees_are_answered(a in -50.0..50.0f64, power in -0.9..8.9f64, share in 0.0..0.9999f64) {
            let degrees = 10f64.powf(power);
            prop_assert!(student_t_upper(a, degrees).is_some());
            prop_assert!(student_t_factor(share, degrees).is_some());
            prop_assert!(chi_square_upper(a * a, degrees).is_some());
        }

        /// The slow twin: step down by definition, `max over smaller p of min(1, (n - rank) p)`.
        #[test]
        fn holm_by_definition(list in prop::collection::vec(0.0..1.0f64, 1..12)) {
            let n = list.len();
            let found = holm(&list);
            for (i, p) in list.iter().enumerate() {
                let expected = list.iter().filter(|q| *q <= p).map(|q| {
                    let rank = list.iter().filter(|r| *r < q).count();
                    ((n - rank) as f64 * q).min(1.0)
                }).fold(0.0, f64::max);
                prop_assert!((found[i] - expected).abs() < 1e-15);
            }
        }
    }

    #[test]
    fn outside_the_domain() {
        assert_eq!(student_t_upper(1.0, 0.0), None);
        assert_eq!(student_t_upper(f64::NAN, 3.0), None);
        assert_eq!(student_t_factor(1.0, 3.0), None);
        assert_eq!(student_t_upper(f64::INFINITY, 3.0), Some(0.0));
        assert_eq!(student_t_upper(1.0, f64::INFINITY), None);
        assert_eq!(student_t_factor(f64::NAN, 3.0), None);
        assert_eq!(student_t_factor(0.95, f64::NAN), None);
        assert_eq!(chi_square_upper(-1.0, 3.0), None);
        assert_eq!(chi_square_upper(f64::NAN, 3.0), None);
        assert_eq!(chi_square_upper(1.0, -3.0), None);
        assert_eq!(normal_cdf(f64::NAN), None);
        assert_eq!(normal_cdf(f64::NEG_INFINITY), Some(0.0));
        assert_eq!(normal_quantile(f64::NAN), None);
        assert_eq!(normal_quantile(0.0), None);
        assert_eq!(normal_quantile(1.0), None);
    }
}
