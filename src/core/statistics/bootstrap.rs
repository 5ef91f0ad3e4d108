//! Confidence intervals by resampling blocks, which keeps correlated pixels together (Efron 1979; Kuensch 1989).
use super::robust::quantile;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

/// How to resample.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Resampling {
    /// Number of resamples; 2000 is usual for a 95 % interval.
    pub resamples: usize,
    /// Seed of the random numbers. Results depend on it alone, not on the number of threads.
    pub seed: u64,
}

/// The statistic of each resample, in order. A resample draws as many blocks as there are, with replacement. Blocks
/// should be at least 8 x 8 pixels on the JPEG grid, or two correlation lengths. A resample whose `statistic` is
/// `None` or not finite is left out.
pub fn replicates<B, F>(blocks: &[B], how: Resampling, statistic: F) -> Vec<f64>
where
    B: Sync,
    F: Fn(&[&B]) -> Option<f64> + Sync,
{
    if blocks.is_empty() {
        return Vec::new();
    }
    let one = |index: usize| {
        let mut random = random_stream(how.seed, index);
        let drawn: Vec<&B> = (0..blocks.len())
            .map(|_| &blocks[random.random_range(0..blocks.len())])
            .collect();
        statistic(&drawn).filter(|v| v.is_finite())
    };
    (0..how.resamples).into_par_iter().filter_map(one).collect()
}

/// Random numbers of one resample (stream `index` of the seed), for resampling several lists together.
pub fn random_stream(seed: u64, index: usize) -> ChaCha8Rng {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    random.set_stream(index as u64);
    random
}

/// Percentile interval of replicates with the given `coverage` (0..1, say 0.95). `None` for fewer than 40 replicates,
/// where the ends of a 95 % interval would be the extremes.
pub fn percentile_interval(replicates: &[f64], coverage: f64) -> Option<(f64, f64)> {
    if replicates.len() < 40 || !(0.0..1.0).contains(&coverage) {
        return None;
    }
    let tail = 0.5 * (1.0 - coverage);
    Some((
        quantile(replicates, tail)?,
        quantile(replicates, 1.0 - tail)?,
    ))
}

#[cfg(test)]
mod tests {
    use super::super::moments::{mean, moments};
    use super::*;
    use rand_distr::{Distribution, StandardNormal};

    const HOW: Resampling = Resampling {
        resamples: 1000,
        seed: 7,
    };

    fn block_mean(blocks: &[&Vec<f64>]) -> Option<f64> {
        mean(&blocks.iter().flat_map(|b| b.to_vec()).collect::<Vec<_>>())
    }

    fn correlated_blocks(random: &mut ChaCha8Rng) -> Vec<Vec<f64>> {
        (0..40)
            .map(|_| {
                let common: f64 = StandardNormal.sample(random);
                let own = (0..8).map(|_| {
                    let noise: f64 = StandardNormal.sample(random);
                    common + noise
                });
                own.collect()
            })
            .collect()
    }

    /// Closed form: the mean of 40 blocks of 8 with between-variance 1 and within-variance 1 has variance (1 + 1/8)/40.
    #[test]
    fn blocks_keep_their_correlation() {
        let mut random = ChaCha8Rng::seed_from_u64(3);
        let (mut spread, mut inside) = (0.0, 0);
        for _ in 0..200 {
            let blocks = correlated_blocks(&mut random);
            let found = replicates(&blocks, HOW, block_mean);
            spread += moments(&found).unwrap().deviation() / 200.0;
            let (low, high) = percentile_interval(&found, 0.95).unwrap();
            inside += u32::from((low..high).contains(&0.0));
        }
        let expected = (1.125f64 / 40.0).sqrt();
        assert!(
            (spread / expected - 1.0).abs() < 0.04,
            "{spread} {expected}"
        );
        assert!(
            (182..=197).contains(&inside),
            "{inside} of 200 hold the truth"
        );
    }

    #[test]
    fn one_thread_equals_four() {
        let blocks: Vec<f64> = (0..30).map(f64::from).collect();
        let run = |threads: usize| {
            let pool = rayon::ThreadPoolBuilder::new()
                .num_threads(threads)
                .build()
                .unwrap();
            pool.install(|| {
                replicates(&blocks, HOW, |b| {
                    mean(&b.iter().map(|v| **v).collect::<Vec<_>>())
                })
            })
        };
        assert_eq!(run(1), run(4));
        assert_eq!(run(1).len(), 1000);
    }

    #[test]
    fn refusals() {
        assert!(replicates(&[0.0; 0], HOW, |_| Some(1.0)).is_empty());
        assert!(replicates(&[1.0], HOW, |_| Some(f64::NAN)).is_empty());
        assert_eq!(percentile_interval(&[1.0; 39], 0.95), None);
        assert_eq!(percentile_interval(&[1.0; 40], 0.95), Some((1.0, 1.0)));
    }
}
