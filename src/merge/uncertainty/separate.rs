//! What each level adds to the mean square of differences between frames: non-negative least squares, smooth in level.
//!
//! A difference between two frames has the sum of their variances: `E d^2 = c_a V(level_a) + c_b V(level_b)`. Over many pairs of
//! levels V is determined (Lawson and Hanson 1974: least squares with non-negative coefficients; solved by coordinates here).
use stopspan_core::model::{ByLevel, LEVELS};

/// Weight of smoothness, second differences over the mean of V, against that of one well-known observation.
const SMOOTHNESS: f64 = 10.0;
/// Rounds over all coordinates; nine unknowns settle to 1e-6 in fewer than 200.
const ROUNDS: usize = 400;

/// Normal equations of one [`ByLevel`].
#[derive(Debug, Clone, Default)]
pub(super) struct Separation {
    normal: [[f64; LEVELS]; LEVELS],
    right: [f64; LEVELS],
    /// Sums of weight, of weighted coefficient and of weighted observation.
    totals: [f64; 3],
    /// Number of samples behind the observations.
    pub(super) samples: f64,
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
    /// What the mean square is expected to be about: its standard deviation is proportional to this, > 0.
    pub(super) expected: f64,
    /// Number of samples it is the mean of.
    pub(super) samples: f64,
}

impl Separation {
    /// Adds one observation, weighted by its relative precision.
    pub(super) fn add(&mut self, seen: &Observation) {
        let mut row = [0.0; LEVELS];
        for (level, factor) in seen.levels.iter().zip(seen.factors) {
            for (i, share) in ByLevel::shares(*level) {
                row[i] += share * factor;
            }
        }
        let weight = seen.samples.min(5000.0) / (seen.expected * seen.expected);
        for (i, &a) in row.iter().enumerate() {
            self.right[i] += weight * a * seen.mean_square;
            for (k, &b) in row.iter().enumerate() {
                self.normal[i][k] += weight * a * b;
            }
        }
        self.samples += seen.samples;
        self.totals[0] += weight;
        self.totals[1] += weight * row.iter().sum::<f64>();
        self.totals[2] += weight * seen.mean_square;
    }

    /// All observations of both.
    pub(super) fn join(&mut self, other: &Separation) {
        let rows = self.normal.iter_mut().flatten();
        rows.zip(other.normal.iter().flatten())
            .for_each(|(a, b)| *a += b);
        let right = self.right.iter_mut().zip(&other.right);
        right.for_each(|(a, b)| *a += b);
        let totals = self.totals.iter_mut().zip(&other.totals);
        totals.for_each(|(a, b)| *a += b);
        self.samples += other.samples;
    }

    /// The quantity by level; `None` without an observation.
    pub(super) fn solve(&self) -> Option<ByLevel> {
        let [weight, factor, square] = self.totals;
        if weight <= 0.0 || factor <= 0.0 {
            return None;
        }
        let usual = square / factor;
        let mut normal = self.normal;
        let smooth = (SMOOTHNESS / usual.max(1e-300)).powi(2);
        for i in 1..LEVELS - 1 {
            let bend = [(i - 1, -1.0), (i, 2.0), (i + 1, -1.0)];
            for (a, x) in bend {
                for (b, y) in bend {
                    normal[a][b] += smooth * x * y;
                }
            }
        }
        let mut found = [usual; LEVELS];
        for _ in 0..ROUNDS {
            for i in 0..LEVELS {
                let others: f64 = (0..LEVELS)
                    .filter(|k| *k != i)
                    .map(|k| normal[i][k] * found[k])
                    .sum();
                if normal[i][i] > 0.0 {
                    found[i] = ((self.right[i] - others) / normal[i][i]).max(0.0);
                }
            }
        }
        found
            .iter()
            .all(|v| v.is_finite())
            .then_some(ByLevel(found))
    }
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
            sums.add(&Observation {
                levels,
                factors,
                mean_square,
                expected: mean_square,
                samples: 1000.0,
            });
        }
        let found = sums.solve().unwrap();
        for level in [0.1, 0.4, 0.8] {
            assert!(
                (found.at(level) / truth(level) - 1.0).abs() < 0.02,
                "{found:?}"
            );
        }
        assert!(Separation::default().solve().is_none());
    }

    #[test]
    fn nothing_comes_out_negative() {
        let mut sums = Separation::default();
        for (level, mean_square) in [(0.1, 5.0), (0.5, 0.001), (0.9, 5.0)] {
            sums.add(&Observation {
                levels: [level, level + 0.1],
                factors: [1.0, 1.0],
                mean_square,
                expected: mean_square,
                samples: 500.0,
            });
        }
        assert!(sums.solve().unwrap().0.iter().all(|v| *v >= 0.0));
    }
}
