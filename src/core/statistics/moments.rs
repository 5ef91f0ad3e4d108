//! Mean and variance without loss of digits: compensated sums, two passes, and a running form that can be merged.
//!
//! The corrected two-pass variance is that of Chan, Golub and LeVeque (1983); the running form is that of Welford
//! (1962) with the merge of the former; sums are compensated as in Neumaier (1974).
use super::finite;

/// Count, mean and variance of a list of values, in the values' unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moments {
    /// Number of values, >= 1.
    pub count: usize,
    /// Arithmetic mean.
    pub mean: f64,
    /// Sample variance (divisor n - 1), unit squared, >= 0; 0 for a single value.
    pub variance: f64,
}

impl Moments {
    /// Sample standard deviation, >= 0.
    pub fn deviation(&self) -> f64 {
        self.variance.sqrt()
    }

    /// Standard uncertainty of the mean of independent values, `deviation / sqrt(n)`.
    pub fn standard_uncertainty(&self) -> f64 {
        (self.variance / self.count as f64).sqrt()
    }
}

/// Mean and variance of weighted values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WeightedMoments {
    /// `sum(w x) / sum(w)`.
    pub mean: f64,
    /// Unbiased variance of a value of unit reliability weight, `sum(w (x - m)^2) / (W - sum(w^2) / W)`; 0 if only
    /// one value has weight.
    pub variance: f64,
    /// Effective sample size (Kish 1965), `W^2 / sum(w^2)`: the number of equally weighted values whose mean has the
    /// same variance.
    pub effective_count: f64,
    /// Sum of weights W. With weights 1/variance, `1 / sqrt(W)` is the standard uncertainty of the mean.
    pub weight: f64,
}

/// Sum with compensation of the rounding error of every addition (Neumaier 1974).
pub fn compensated_sum(values: impl IntoIterator<Item = f64>) -> f64 {
    let (mut sum, mut lost) = (0.0f64, 0.0f64);
    for value in values {
        let next = sum + value;
        lost += if sum.abs() >= value.abs() {
            (sum - next) + value
        } else {
            (value - next) + sum
        };
        sum = next;
    }
    sum + lost
}

/// Arithmetic mean. `None` for an empty list or a value that is not finite.
pub fn mean<T: Copy + Into<f64>>(values: &[T]) -> Option<f64> {
    let sum = compensated_sum(values.iter().map(|&v| v.into()));
    (!values.is_empty() && sum.is_finite()).then(|| sum / values.len() as f64)
}

/// Count, mean and variance. `None` for an empty list or a value that is not finite.
pub fn moments<T: Copy + Into<f64>>(values: &[T]) -> Option<Moments> {
    let values = finite(values)?;
    let count = values.len() as f64;
    let rough = compensated_sum(values.iter().copied()) / count;
    let rest = compensated_sum(values.iter().map(|v| v - rough));
    let squares = compensated_sum(values.iter().map(|v| (v - rough) * (v - rough)));
    let variance = if values.len() > 1 {
        ((squares - rest * rest / count) / (count - 1.0)).max(0.0)
    } else {
        0.0
    };
    let moments = Moments {
        count: values.len(),
        mean: rough + rest / count,
        variance,
    };
    (moments.mean.is_finite() && moments.variance.is_finite()).then_some(moments)
}

/// Weighted mean and variance. `None` if lengths differ, a number is not finite, a weight is negative, or none is
/// positive.
pub fn weighted_moments(values: &[f64], weights: &[f64]) -> Option<WeightedMoments> {
    if values.len() != weights.len() || weights.iter().any(|&w| w < 0.0) {
        return None;
    }
    let (values, weights) = (finite(values)?, finite(weights)?);
    let weight = compensated_sum(weights.iter().copied());
    let squared = compensated_sum(weights.iter().map(|w| w * w));
    if weight <= 0.0 || squared <= 0.0 {
        return None;
    }
    let pairs = || values.iter().zip(&weights);
    let rough = compensated_sum(pairs().map(|(v, w)| w * v)) / weight;
    let mean = rough + compensated_sum(pairs().map(|(v, w)| w * (v - rough))) / weight;
    let squares = compensated_sum(pairs().map(|(v, w)| w * (v - mean) * (v - mean)));
    let divisor = weight - squared / weight;
    let alone = divisor <= f64::EPSILON * weight;
    Some(WeightedMoments {
        mean,
        variance: if alone { 0.0 } else { squares / divisor },
        effective_count: weight * weight / squared,
        weight,
    })
}

/// Autocorrelation coefficient at a lag, `sum((x_i - m)(x_{i+lag} - m)) / sum((x_i - m)^2)`, -1..=1. `None` if the
/// list is not longer than the lag, is constant, or contains a value that is not finite.
pub fn autocorrelation<T: Copy + Into<f64>>(values: &[T], lag: usize) -> Option<f64> {
    let values = finite(values)?;
    let centre = moments(&values)?.mean;
    if values.len() <= lag {
        return None;
    }
    let total = compensated_sum(values.iter().map(|v| (v - centre) * (v - centre)));
    let pairs = values.iter().zip(&values[lag..]);
    let shared = compensated_sum(pairs.map(|(a, b)| (a - centre) * (b - centre)));
    (total > 0.0).then(|| shared / total)
}

/// Running mean and variance, updated value by value or merged from parts.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Running {
    count: u64,
    mean: f64,
    squares: f64,
}

impl Running {
    /// Adds one value.
    pub fn push(&mut self, value: f64) {
        self.count += 1;
        let step = value - self.mean;
        self.mean += step / self.count as f64;
        self.squares += step * (value - self.mean);
    }

    /// Adds the values of another. The order of merging affects the last bits, so merge in a fixed order.
    pub fn merge(&mut self, other: &Running) {
        let count = self.count + other.count;
        if other.count == 0 {
            return;
        }
        let (mine, theirs, all) = (self.count as f64, other.count as f64, count as f64);
        let step = other.mean - self.mean;
        self.mean += step * theirs / all;
        self.squares += other.squares + step * step * mine * theirs / all;
        self.count = count;
    }

    /// Moments of the values added. `None` if there are none or one was not finite.
    pub fn moments(&self) -> Option<Moments> {
        let variance = match self.count {
            0 => return None,
            1 => 0.0,
            n => self.squares / (n as f64 - 1.0),
        };
        (self.mean.is_finite() && variance.is_finite()).then_some(Moments {
            count: self.count as usize,
            mean: self.mean,
            variance,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn plain(values: &[f64]) -> (f64, f64) {
        let n = values.len() as f64;
        let mean = values.iter().sum::<f64>() / n;
        let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
        (mean, squares / (n - 1.0))
    }

    proptest! {
        #[test]
        fn three_routes_agree(values in prop::collection::vec(-1e3..1e3f64, 2..60), cut in 0usize..60) {
            let (mean, variance) = plain(&values);
            let two_pass = moments(&values).unwrap();
            let weighted = weighted_moments(&values, &vec![2.5; values.len()]).unwrap();
            let (first, second) = values.split_at(cut.min(values.len()));
            let (mut a, mut b) = (Running::default(), Running::default());
            first.iter().for_each(|&v| a.push(v));
            second.iter().for_each(|&v| b.push(v));
            a.merge(&b);
            let running = a.moments().unwrap();
            prop_assert_eq!(running.count, values.len());
            for (m, v) in [(two_pass.mean, two_pass.variance), (weighted.mean, weighted.variance), (running.mean, running.variance)] {
                prop_assert!((m - mean).abs() < 1e-10);
                prop_assert!((v - variance).abs() < 1e-9 * variance.max(1.0));
            }
            prop_assert!((weighted.effective_count - values.len() as f64).abs() < 1e-9);
        }
    }

    #[test]
    fn a_weight_counts_like_a_repeated_value() {
        let repeated = moments(&[1.0, 4.0, 4.0, 4.0]).unwrap();
        let weighted = weighted_moments(&[1.0, 4.0], &[1.0, 3.0]).unwrap();
        assert!((repeated.mean - weighted.mean).abs() < 1e-15);
        assert_eq!(weighted.weight, 4.0);
    }

    #[test]
    fn nothing_comes_from_nothing() {
        assert_eq!(moments::<f64>(&[]), None);
        assert_eq!(mean(&[1.0, f64::NAN]), None);
        assert_eq!(moments(&[1.0, f64::INFINITY]), None);
        assert_eq!(weighted_moments(&[1.0], &[0.0]), None);
        assert_eq!(weighted_moments(&[1.0, 2.0], &[1.0]), None);
        assert_eq!(autocorrelation(&[3.0, 3.0], 1), None);
        assert_eq!(Running::default().moments(), None);
        assert_eq!(moments(&[7.0f32]).unwrap().variance, 0.0);
    }
}
