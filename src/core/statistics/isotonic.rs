//! Monotone curves: isotonic regression by pooling violators (Barlow, Bartholomew, Bremner and Brunk 1972).
use super::finite;

/// The non-decreasing list closest to `values` in weighted least squares; same length and unit. Weights are >= 0, at
/// least one > 0; values of weight 0 take their neighbour's fitted value. `None` if lengths differ, the list is
/// empty, a number is not finite, or a weight is negative.
pub fn increasing(values: &[f64], weights: &[f64]) -> Option<Vec<f64>> {
    if values.len() != weights.len() || weights.iter().any(|&w| w < 0.0) {
        return None;
    }
    let (values, weights) = (finite(values)?, finite(weights)?);
    if weights.iter().all(|&w| w == 0.0) {
        return None;
    }
    let mut blocks: Vec<Block> = Vec::with_capacity(values.len());
    for (&value, &weight) in values.iter().zip(&weights) {
        let mut block = Block {
            value,
            weight,
            length: 1,
        };
        while let Some(previous) = blocks.pop_if(|p| p.yields_to(&block)) {
            block = previous.pooled(&block);
        }
        blocks.push(block);
    }
    let fitted = blocks
        .iter()
        .flat_map(|b| std::iter::repeat_n(b.value, b.length));
    Some(fitted.collect())
}

/// As [`increasing`], for a non-increasing list.
pub fn decreasing(values: &[f64], weights: &[f64]) -> Option<Vec<f64>> {
    let turned: Vec<f64> = values.iter().map(|v| -v).collect();
    Some(increasing(&turned, weights)?.iter().map(|v| -v).collect())
}

/// A run of equal fitted values.
#[derive(Clone, Copy)]
struct Block {
    value: f64,
    weight: f64,
    length: usize,
}

impl Block {
    /// True if this block must be pooled with `next`: its mean is larger, or one of them has no weight.
    fn yields_to(&self, next: &Block) -> bool {
        self.value > next.value || self.weight == 0.0 || next.weight == 0.0
    }

    fn pooled(&self, next: &Block) -> Block {
        let weight = self.weight + next.weight;
        let value = if weight > 0.0 {
            (self.weight * self.value + next.weight * next.value) / weight
        } else {
            self.value
        };
        Block {
            value,
            weight,
            length: self.length + next.length,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The slow twin: the max-min formula, `max over a <= i of min over b >= i of mean(a..=b)`.
    fn max_min(values: &[f64], weights: &[f64]) -> Vec<f64> {
        let n = values.len();
        let mean = |a: usize, b: usize| {
            let weight: f64 = weights[a..=b].iter().sum();
            let sum: f64 = (a..=b).map(|i| weights[i] * values[i]).sum();
            sum / weight
        };
        (0..n)
            .map(|i| {
                (0..=i)
                    .map(|a| (i..n).map(|b| mean(a, b)).fold(f64::INFINITY, f64::min))
                    .fold(f64::NEG_INFINITY, f64::max)
            })
            .collect()
    }

    proptest! {
        #[test]
        fn equals_the_max_min_formula(pairs in prop::collection::vec((-9.0..9.0f64, 0.1..5.0f64), 1..25)) {
            let (values, weights): (Vec<f64>, Vec<f64>) = pairs.into_iter().unzip();
            let fast = increasing(&values, &weights).unwrap();
            let slow = max_min(&values, &weights);
            for (a, b) in fast.iter().zip(&slow) {
                prop_assert!((a - b).abs() < 1e-9, "{:?} {:?}", fast, slow);
            }
            prop_assert!(fast.windows(2).all(|w| w[0] <= w[1]));
        }

        #[test]
        fn a_monotone_list_stays(mut values in prop::collection::vec(-9.0..9.0f64, 1..25)) {
            values.sort_by(f64::total_cmp);
            let weights = vec![1.0; values.len()];
            prop_assert_eq!(increasing(&values, &weights).unwrap(), values);
        }
    }

    /// scikit-learn documentation, isotonic_regression([5, 3, 1, 2, 8, 10, 7, 9, 6, 4]), from memory.
    #[test]
    fn worked_example() {
        let values = [5.0, 3.0, 1.0, 2.0, 8.0, 10.0, 7.0, 9.0, 6.0, 4.0];
        let fitted = increasing(&values, &[1.0; 10]).unwrap();
        let expected = [2.75, 2.75, 2.75, 2.75].into_iter().chain([22.0 / 3.0; 6]);
        assert!(
            fitted
                .iter()
                .zip(expected)
                .all(|(a, b)| (a - b).abs() < 1e-12)
        );
    }

    #[test]
    fn no_weight_no_say() {
        let fitted = increasing(&[1.0, 99.0, 2.0, 3.0], &[1.0, 0.0, 1.0, 1.0]).unwrap();
        assert!(fitted[3] == 3.0 && fitted[0] == 1.0 && fitted[1] <= 2.0);
        assert_eq!(increasing(&[1.0], &[0.0]), None);
        assert_eq!(increasing(&[], &[]), None);
        assert_eq!(increasing(&[1.0, 2.0], &[1.0]), None);
        assert_eq!(
            decreasing(&[1.0, 2.0], &[1.0, 1.0]).unwrap(),
            vec![1.5, 1.5]
        );
    }
}
