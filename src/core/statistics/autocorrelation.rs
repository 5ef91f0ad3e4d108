//! Effective number of independent samples in a field of correlated noise.
use super::moments::{compensated_sum, moments};
use ndarray::ArrayView2;

/// Largest lag examined, pixels: the side of a JPEG block.
const REACH: isize = 8;

/// Effective sample sizes, 1..=n: numbers of independent samples with the same scatter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EffectiveSamples {
    /// For a mean: `n / sum(rho)` (Bayley and Hammersley 1946).
    pub of_mean: f64,
    /// For a variance or deviation: `n / sum(rho^2)` (same source).
    pub of_variance: f64,
}

/// Effective sample sizes of a noise field from its autocorrelation rho. Remove mean and shading first; any remainder
/// counts as correlation. Lags are summed ring by ring up to 8 pixels. The sum stops at the first ring whose mean
/// squared rho is consistent with no correlation (within 3 sigma; Bartlett 1946). A constant field (all noise lost to
/// quantisation) counts as one sample. `None` if the field is empty or a value is not finite.
pub fn effective_samples(field: ArrayView2<'_, f64>) -> Option<EffectiveSamples> {
    let values: Vec<f64> = field.iter().copied().collect();
    let centre = moments(&values)?.mean;
    let centred = field.mapv(|v| v - centre);
    let n = values.len() as f64;
    let total = compensated_sum(centred.iter().map(|v| v * v));
    if total <= 0.0 {
        return Some(EffectiveSamples {
            of_mean: 1.0,
            of_variance: 1.0,
        });
    }
    let (mut sum, mut squares) = (1.0, 1.0);
    for ring in 1..=REACH {
        let rhos: Vec<f64> = half_ring(ring)
            .filter_map(|lag| shared(&centred.view(), lag))
            .map(|covariance| covariance / (total / n))
            .collect();
        let mean_square = rhos.iter().map(|r| r * r).sum::<f64>() / rhos.len().max(1) as f64;
        // Without correlation rho has variance sum(rho^2)/n (Bartlett 1946), and rho^2 a standard deviation of
        // sqrt(2) times that.
        let noise = squares / n;
        let nothing = (1.0 + 3.0 * (2.0 / rhos.len().max(1) as f64).sqrt()) * noise;
        if rhos.is_empty() || mean_square <= nothing {
            break;
        }
        sum += 2.0 * rhos.iter().sum::<f64>();
        squares += 2.0 * rhos.iter().map(|r| r * r - noise).sum::<f64>();
    }
    let count = |sum: f64| (n / sum.max(1.0)).clamp(1.0, n);
    Some(EffectiveSamples {
        of_mean: count(sum),
        of_variance: count(squares),
    })
}

/// The lags (rows, columns) at Chebyshev distance `ring`, one of each pair of opposites.
fn half_ring(ring: isize) -> impl Iterator<Item = (isize, isize)> {
    (0..=ring)
        .flat_map(move |rows| (-ring..=ring).map(move |columns| (rows, columns)))
        .filter(move |&(rows, columns)| rows.max(columns.abs()) == ring)
        .filter(|&(rows, columns)| rows > 0 || columns > 0)
}

/// Mean product of the field with itself shifted by a lag of (rows, columns); `None` without overlap.
fn shared(centred: &ArrayView2<'_, f64>, (rows, columns): (isize, isize)) -> Option<f64> {
    let (height, width) = centred.dim();
    let (down, across) = (rows.unsigned_abs(), columns.unsigned_abs());
    if down >= height || across >= width {
        return None;
    }
    let (first, second) = if columns >= 0 {
        (0..width - across, across..width)
    } else {
        (across..width, 0..width - across)
    };
    let a = centred.slice(ndarray::s![..height - down, first]);
    let b = centred.slice(ndarray::s![down.., second]);
    let products = a.iter().zip(&b).map(|(x, y)| x * y);
    Some(products.sum::<f64>() / a.len() as f64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    fn white(size: usize, seed: u64) -> Array2<f64> {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        Array2::from_shape_fn((size, size), |_| StandardNormal.sample(&mut random))
    }

    /// Mean over 2 x 2 neighbours: rho is the product of triangles (1, 1/2), so sum(rho) = 4 and sum(rho^2) = 2.25.
    fn blurred(size: usize, seed: u64) -> Array2<f64> {
        let source = white(size + 1, seed);
        Array2::from_shape_fn((size, size), |(r, c)| {
            source[[r, c]] + source[[r + 1, c]] + source[[r, c + 1]] + source[[r + 1, c + 1]]
        })
    }

    fn average(make: fn(usize, u64) -> Array2<f64>) -> (f64, f64) {
        let (mut of_mean, mut of_variance) = (0.0, 0.0);
        for seed in 0..40 {
            let found = effective_samples(make(32, seed).view()).unwrap();
            of_mean += found.of_mean / 1024.0 / 40.0;
            of_variance += found.of_variance / 1024.0 / 40.0;
        }
        (of_mean, of_variance)
    }

    #[test]
    fn white_noise_counts_every_pixel() {
        let (of_mean, of_variance) = average(white);
        assert!(
            of_mean > 0.97 && of_variance > 0.99,
            "{of_mean} {of_variance}"
        );
    }

    #[test]
    fn neighbours_that_share_count_less() {
        let (of_mean, of_variance) = average(blurred);
        assert!((of_mean * 4.0 - 1.0).abs() < 0.1, "{of_mean}");
        assert!((of_variance * 2.25 - 1.0).abs() < 0.1, "{of_variance}");
    }

    #[test]
    fn edges_of_the_domain() {
        assert_eq!(effective_samples(Array2::zeros((0, 3)).view()), None);
        let flat = effective_samples(Array2::from_elem((9, 9), 4.0).view()).unwrap();
        assert_eq!(flat.of_mean, 1.0);
        let thin = effective_samples(ndarray::arr2(&[[1.0, 2.0]]).view()).unwrap();
        assert!(thin.of_mean >= 1.0 && thin.of_mean <= 2.0);
        assert_eq!(
            effective_samples(ndarray::arr2(&[[1.0, f64::NAN]]).view()),
            None
        );
    }
}
