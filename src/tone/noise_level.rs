//! The noise of a map that states none: the lower envelope of its roughness at each luminance, as Liu, Freeman, Szeliski
//! and Kang (2006) find the noise of a single picture.
//!
//! Nothing in a scene is smoother than the noise, and hardly any luminance occurs in rough places alone. Roughness is that
//! of second differences, which slopes of the scene leave alone (Immerkaer 1996).
use super::scene::REACH;
use ndarray::{Array2, Zip};

/// Bins of the envelope for each stop of luminance.
const BINS: f32 = 2.0;
/// Distance of the pixels that second differences are made of: neighbours share their noise where a picture was demosaiced or made
/// smaller.
const LAG: usize = 2;
/// Share of the places of a luminance that are taken to be smooth.
const SMOOTH: f64 = 0.3;
/// What that share of the places lies below, relative to the mean: for normal noise and means over 5 x 5 pixels, whose second
/// differences are as independent as 14 pixels are (a chi-square of 14 degrees of freedom).
const BELOW_MEAN: f64 = 0.78;
/// Least number of places that tell the noise of a luminance.
const ENOUGH: usize = 64;

/// Square of the second differences of a row, over 6: for noise that is independent from pixel to pixel its variance, on
/// average. 0 at both ends.
pub(super) fn roughness(row: &[f32]) -> impl Iterator<Item = f32> {
    let inner = row.windows(2 * LAG + 1).map(|w| {
        let bend = w[0] - 2.0 * w[LAG] + w[2 * LAG];
        bend * bend / 6.0
    });
    std::iter::repeat_n(0.0, LAG)
        .chain(inner)
        .chain(std::iter::repeat_n(0.0, LAG))
        .take(row.len())
}

/// Standard deviation of log2 luminance by noise, at each place of a plane of log2 luminance, from the mean
/// [`roughness`] about it. It never rises with luminance: light has less relative noise the more of it there is.
pub(super) fn noise_level(log: &Array2<f64>, rough: &Array2<f64>) -> Array2<f32> {
    let count = (2.0 * REACH * BINS) as usize + 1;
    let bin = |log: f64| (((log as f32 + REACH) * BINS).max(0.0) as usize).min(count - 1);
    let mut bins: Vec<Vec<f64>> = vec![Vec::new(); count];
    Zip::from(log)
        .and(rough)
        .for_each(|&log, &rough| bins[bin(log)].push(rough));
    let mut least = f64::INFINITY;
    let envelope: Vec<f64> = bins
        .into_iter()
        .map(|mut bin| {
            if bin.len() >= ENOUGH {
                let at = (SMOOTH * bin.len() as f64) as usize;
                let smooth = *bin.select_nth_unstable_by(at, f64::total_cmp).1;
                least = least.min(smooth / BELOW_MEAN);
            }
            least
        })
        .collect();
    log.mapv(|log| match envelope[bin(log)] {
        variance if variance.is_finite() => variance.sqrt() as f32,
        _ => 0.0,
    })
}

#[cfg(test)]
mod tests {
    use super::super::gain::blurred;
    use super::*;
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    /// Noise of known deviation, a tenth of a stop in the light and half a stop in the dark, beside texture of two stops.
    #[test]
    fn known_noise_is_found_beside_texture() {
        let mut rng = ChaCha8Rng::seed_from_u64(3);
        let mut normal = || (0..12).map(|_| rng.random_range(-0.5f32..0.5)).sum::<f32>();
        let deviation = |c: usize| if c < 200 { 0.5 } else { 0.1 };
        let plane = Array2::from_shape_fn((300, 400), |(r, c)| {
            let texture = if r % 100 < 60 {
                0.0
            } else {
                2.0 * ((r * 7 + c * 5) % 6) as f32 / 6.0
            };
            let ground = if c < 200 { -6.0 } else { 0.25 };
            ground + texture + deviation(c) * normal()
        });
        let mut rough = Array2::zeros(plane.dim());
        for (row, mut to) in plane.rows().into_iter().zip(rough.rows_mut()) {
            let row = row.to_vec();
            to.iter_mut()
                .zip(roughness(&row))
                .for_each(|(t, v)| *t = f64::from(v));
        }
        let level = noise_level(&blurred(&plane.mapv(f64::from)), &blurred(&rough));
        for (c, wanted) in [(100, 0.5), (300, 0.1)] {
            let found = level[[30, c]];
            assert!(
                found > 0.7 * wanted && found < 1.1 * wanted,
                "{wanted}: {found}"
            );
        }
    }

    #[test]
    fn a_smooth_scene_has_none() {
        let plane = Array2::from_shape_fn((50, 60), |(r, c)| 0.01 * (r * 3 + c) as f64);
        let level = noise_level(&plane, &Array2::zeros(plane.dim()));
        assert!(level.iter().all(|v| *v == 0.0));
    }
}
