//! Random numbers with equal bits on every platform and number of threads: one ChaCha stream per row.
//!
//! Transcendental functions are those of `libm` in pure Rust, because those of systems differ in the last bit.
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};

/// Mean from which a Poisson draw uses its normal approximation; below it the draw is exact. Electrons.
pub const NORMAL_FROM: f64 = 1000.0;
/// Mean from which a Poisson draw uses transformed rejection; below it, inversion. Electrons.
const REJECTION_FROM: f64 = 30.0;

/// Random numbers for one row of pixels.
#[derive(Debug, Clone)]
pub struct Draws {
    stream: ChaCha8Rng,
    spare: Option<f64>,
}

impl Draws {
    /// Random numbers of `row` for `seed`; rows are independent streams of one key.
    pub fn new(seed: u64, row: u64) -> Self {
        let mut stream = ChaCha8Rng::seed_from_u64(seed);
        stream.set_stream(row);
        Draws {
            stream,
            spare: None,
        }
    }

    /// Uniform in the open interval (0, 1): the centre of one of 2^53 equal cells.
    pub fn uniform(&mut self) -> f64 {
        const CELL: f64 = 1.0 / (1u64 << 53) as f64;
        ((self.stream.next_u64() >> 11) as f64 + 0.5) * CELL
    }

    /// Standard normal, by the transformation of Box and Muller (1958).
    pub fn normal(&mut self) -> f64 {
        if let Some(value) = self.spare.take() {
            return value;
        }
        let radius = (-2.0 * libm::log(self.uniform())).sqrt();
        let (sine, cosine) = libm::sincos(std::f64::consts::TAU * self.uniform());
        self.spare = Some(radius * sine);
        radius * cosine
    }

    /// A Poisson draw of the given mean (0 for a mean that is not positive).
    pub fn poisson(&mut self, mean: f64) -> f64 {
        if mean.is_nan() || mean <= 0.0 {
            0.0
        } else if mean < REJECTION_FROM {
            self.poisson_by_inversion(mean)
        } else if mean < NORMAL_FROM {
            self.poisson_by_rejection(mean)
        } else {
            (mean + mean.sqrt() * self.normal()).round().max(0.0)
        }
    }

    fn poisson_by_inversion(&mut self, mean: f64) -> f64 {
        let mut left = self.uniform();
        let mut probability = libm::exp(-mean);
        let mut count = 0.0;
        // The tail beyond 400 has no weight in double precision for means below 30.
        while left > probability && count < 400.0 {
            left -= probability;
            count += 1.0;
            probability *= mean / count;
        }
        count
    }

    /// Transformed rejection with squeeze, algorithm PTRS of Hörmann (1993).
    fn poisson_by_rejection(&mut self, mean: f64) -> f64 {
        let b = 0.931 + 2.53 * mean.sqrt();
        let a = -0.059 + 0.02483 * b;
        let inverse_alpha = 1.1239 + 1.1328 / (b - 3.4);
        let squeeze = 0.9277 - 3.6224 / (b - 2.0);
        loop {
            let u = self.uniform() - 0.5;
            let v = self.uniform();
            let us = 0.5 - u.abs();
            let count = ((2.0 * a / us + b) * u + mean + 0.43).floor();
            if us >= 0.07 && v <= squeeze {
                return count;
            }
            if count < 0.0 || (us < 0.013 && v > us) {
                continue;
            }
            let density = libm::log(v * inverse_alpha / (a / (us * us) + b));
            if density <= count * libm::log(mean) - mean - libm::lgamma(count + 1.0) {
                return count;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Chi-squared of drawn counts against the Poisson probabilities (textbook formula), bins of expectation >= 10.
    fn chi_squared(mean: f64, draws: usize, seed: u64) -> (f64, usize) {
        let mut source = Draws::new(seed, 3);
        let mut seen = vec![0usize; 3000];
        for _ in 0..draws {
            seen[source.poisson(mean) as usize] += 1;
        }
        let (mut sum, mut bins, mut expected, mut observed) = (0.0, 0, 0.0, 0.0);
        for (k, &count) in seen.iter().enumerate() {
            let log_p = k as f64 * mean.ln() - mean - libm::lgamma(k as f64 + 1.0);
            expected += draws as f64 * log_p.exp();
            observed += count as f64;
            if expected >= 10.0 {
                sum += (observed - expected).powi(2) / expected;
                bins += 1;
                (expected, observed) = (0.0, 0.0);
            }
        }
        (sum, bins - 1)
    }

    #[test]
    fn poisson_counts_follow_the_law() {
        for (mean, seed) in [(0.3, 1), (4.0, 2), (29.9, 3), (30.1, 4), (250.0, 5)] {
            let (sum, degrees) = chi_squared(mean, 60_000, seed);
            // Mean d and variance 2 d of chi-squared; 4 sigma for one fixed seed each.
            let limit = degrees as f64 + 4.0 * (2.0 * degrees as f64).sqrt();
            assert!(
                sum < limit,
                "mean {mean}: chi2 {sum} for {degrees} degrees of freedom"
            );
        }
    }

    #[test]
    fn large_poisson_means_keep_mean_and_variance() {
        let (mean, n) = (5000.0, 40_000);
        let mut source = Draws::new(9, 0);
        let draws: Vec<f64> = (0..n).map(|_| source.poisson(mean)).collect();
        let average = draws.iter().sum::<f64>() / n as f64;
        let variance = draws.iter().map(|d| (d - average).powi(2)).sum::<f64>() / (n - 1) as f64;
        assert!((average - mean).abs() < 3.0 * (mean / n as f64).sqrt());
        assert!((variance / mean - 1.0).abs() < 3.0 * (2.0 / n as f64).sqrt());
    }

    #[test]
    fn normal_moments_are_standard() {
        let n = 100_000;
        let mut source = Draws::new(1, 1);
        let draws: Vec<f64> = (0..n).map(|_| source.normal()).collect();
        let moment = |p: i32| draws.iter().map(|d| d.powi(p)).sum::<f64>() / n as f64;
        // Standard errors of the first four moments of a standard normal: sqrt(1, 2, 15, 96) / sqrt(n).
        for (p, expected, variance) in
            [(1, 0.0, 1.0), (2, 1.0, 2.0), (3, 0.0, 15.0), (4, 3.0, 96.0)]
        {
            let error = (variance / n as f64).sqrt();
            assert!((moment(p) - expected).abs() < 4.0 * error, "moment {p}");
        }
    }

    #[test]
    fn rows_are_different_streams_and_repeat() {
        let first = |seed, row| Draws::new(seed, row).uniform();
        assert_eq!(first(7, 5), first(7, 5));
        assert_ne!(first(7, 5), first(7, 6));
        assert_ne!(first(7, 5), first(8, 5));
    }
}
