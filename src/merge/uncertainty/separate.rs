//! What each level adds to the mean square of differences between frames: non-negative least squares, smooth in level.
//!
//! A difference between two frames has the sum of their variances: `E d^2 = c_a V(level_a) + c_b V(level_b)`. Over many pairs of
//! levels V is determined (Lawson and Hanson 1974: least squares with non-negative coefficients; solved by coordinates here).
use stopspan_core::model::{ByLevel, LEVELS};

/// Weight of smoothness, second differences over V itself, against that of one well-known observation.
const SMOOTHNESS: f64 = 10.0;
/// Weight of first differences in the same sense: beyond the observations the quantity stays what it was.
const LEVEL: f64 = 1.0;
/// Number of samples whose weight a value known beforehand has.
const NEAR: f64 = 20.0;
/// Rounds of reweighting: the variance of a mean square is proportional to the square of what it is the mean of.
const ROUNDS: usize = 6;
/// Rounds over all coordinates, at most.
const SWEEPS: usize = 500;
/// Largest change of a round, a share of the mean, at which the unknowns have settled.
const SETTLED: f64 = 1e-13;
/// Least expectation, a share of the mean: below it an observation gets no further weight.
const LEAST: f64 = 1e-3;

/// The equations of one [`ByLevel`].
#[derive(Debug, Clone, Default)]
pub(super) struct Separation {
    observations: Vec<Observation>,
}

/// Mean square of the differences of two frames at one scene radiance.
#[derive(Debug, Clone, Copy)]
pub(super) struct Observation {
    /// Level in both frames, fraction of full scale.
    pub(super) levels: [f64; 2],
    /// Factor of V at those levels.
    pub(super) factors: [f64; 2],
    /// Mean square difference.
    pub(super) mean_square: f64,
    /// Number of samples it is the mean of.
    pub(super) samples: f64,
}

impl Observation {
    /// Coefficients of the unknowns.
    fn row(&self) -> [f64; LEVELS] {
        let mut row = [0.0; LEVELS];
        for (level, factor) in self.levels.iter().zip(self.factors) {
            for (i, share) in ByLevel::shares(*level) {
                row[i] += share * factor;
            }
        }
        row
    }

    /// What it would be by `found`.
    fn predicted(&self, found: &[f64; LEVELS]) -> f64 {
        self.row().iter().zip(found).map(|(a, v)| a * v).sum()
    }
}

impl Separation {
    /// Adds one observation.
    pub(super) fn add(&mut self, seen: Observation) {
        self.observations.push(seen);
    }

    /// Adds all observations of another.
    pub(super) fn join(&mut self, other: &Separation) {
        self.observations.extend(&other.observations);
    }

    /// The quantity by level; `None` without an observation above 0. At levels that no observation reaches it is `near`, or else stays
    /// as at the nearest.
    pub(super) fn solve(&self, near: Option<&ByLevel>) -> Option<ByLevel> {
        let sum = |of: fn(&Observation) -> f64| -> f64 {
            self.observations.iter().map(|o| o.samples * of(o)).sum()
        };
        let usual = sum(|o| o.mean_square) / sum(|o| o.factors[0] + o.factors[1]);
        if !(usual.is_finite() && usual > 0.0) {
            return None;
        }
        let mut found = [usual; LEVELS];
        for _ in 0..ROUNDS {
            let (mut normal, mut right) = self.equations(&found, usual);
            smooth(&mut normal, &found, usual);
            for (i, value) in near.iter().flat_map(|n| n.0.iter().enumerate()) {
                let value = value.max(LEAST * usual);
                normal[i][i] += NEAR / (value * value);
                right[i] += NEAR / value;
            }
            for _ in 0..SWEEPS {
                if sweep(&normal, &right, &mut found) <= SETTLED * usual {
                    break;
                }
            }
        }
        let finite = found.iter().all(|v| v.is_finite());
        finite.then_some(ByLevel(found))
    }

    /// Normal equations with the weights that `found` gives.
    fn equations(&self, found: &[f64; LEVELS], usual: f64) -> (Normal, [f64; LEVELS]) {
        let (mut normal, mut right) = ([[0.0; LEVELS]; LEVELS], [0.0; LEVELS]);
        for seen in &self.observations {
            let row = seen.row();
            let expected = seen.predicted(found);
            let least = LEAST * usual * row.iter().sum::<f64>();
            let weight = seen.samples.min(5000.0) / expected.max(least).powi(2);
            for (i, &a) in row.iter().enumerate() {
                right[i] += weight * a * seen.mean_square;
                for (k, &b) in row.iter().enumerate() {
                    normal[i][k] += weight * a * b;
                }
            }
        }
        (normal, right)
    }
}

type Normal = [[f64; LEVELS]; LEVELS];

/// Adds the penalties on second and first differences relative to the values.
fn smooth(normal: &mut Normal, found: &[f64; LEVELS], usual: f64) {
    for i in 1..LEVELS - 1 {
        let size = found[i - 1..=i + 1].iter().sum::<f64>() / 3.0;
        let weight = (SMOOTHNESS / size.max(LEAST * usual)).powi(2);
        add_square(normal, &[(i - 1, -1.0), (i, 2.0), (i + 1, -1.0)], weight);
    }
    for i in 1..LEVELS {
        let size = 0.5 * (found[i - 1] + found[i]);
        let weight = (LEVEL / size.max(LEAST * usual)).powi(2);
        add_square(normal, &[(i - 1, -1.0), (i, 1.0)], weight);
    }
}

/// Adds `weight` times the square of a linear combination of the unknowns.
fn add_square(normal: &mut Normal, combination: &[(usize, f64)], weight: f64) {
    for (a, x) in combination {
        for (b, y) in combination {
            normal[*a][*b] += weight * x * y;
        }
    }
}

/// One round over the coordinates, each set to its best value that is not negative. The largest change.
fn sweep(normal: &Normal, right: &[f64; LEVELS], found: &mut [f64; LEVELS]) -> f64 {
    let mut largest = 0.0f64;
    for i in 0..LEVELS {
        let all: f64 = (0..LEVELS).map(|k| normal[i][k] * found[k]).sum();
        let own = normal[i][i];
        if own > 0.0 {
            let best = (found[i] + (right[i] - all) / own).max(0.0);
            largest = largest.max((best - found[i]).abs());
            found[i] = best;
        }
    }
    largest
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_levels_are_told_apart_by_their_shares_in_differences() {
        let truth = |level: f64| 1.0 + 3.0 * level;
        let mut sums = Separation::default();
        for i in 0..40 {
            let levels = [0.02 * f64::from(i), (0.02 * f64::from(i) + 0.2).min(1.0)];
            let factors = [1.0, 0.5];
            let mean_square = factors[0] * truth(levels[0]) + factors[1] * truth(levels[1]);
            sums.add(Observation {
                levels,
                factors,
                mean_square,
                samples: 1000.0,
            });
        }
        let found = sums.solve(None).unwrap();
        for level in [0.1, 0.4, 0.8] {
            assert!(
                (found.at(level) / truth(level) - 1.0).abs() < 0.02,
                "{found:?}"
            );
        }
        assert!(Separation::default().solve(None).is_none());
    }

    #[test]
    fn nothing_comes_out_negative() {
        let mut sums = Separation::default();
        for (level, mean_square) in [(0.1, 5.0), (0.5, 0.001), (0.9, 5.0)] {
            sums.add(Observation {
                levels: [level, level + 0.1],
                factors: [1.0, 1.0],
                mean_square,
                samples: 500.0,
            });
        }
        assert!(sums.solve(None).unwrap().0.iter().all(|v| *v >= 0.0));
    }
}
