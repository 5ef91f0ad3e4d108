//! Which luminances of a map have a colour: the noise of colour at each of them, found from the map itself.
//!
//! Noise of a single channel makes dark pixels red or blue, whatever the scene: red less blue, over luminance, then jumps
//! from pixel to pixel. As in `noise_level`, the smoother places of a luminance tell its noise (after Liu, Freeman,
//! Szeliski and Kang 2006), here by a quantile of second differences.
use super::scene::{Metering, REACH, log2};
use super::table::Table;
use stopspan_core::model::RadianceMap;

/// Deviation of red less blue, over luminance, up to which colour is kept whole; where that itself is mostly more than 1, as a
/// share of it.
const SEEN: f32 = 0.25;
/// Bins for each stop of luminance, and their number.
const BINS: f32 = 2.0;
const COUNT: usize = (2.0 * REACH * BINS) as usize + 1;
/// Share of the places of a luminance that are taken to be smooth.
const SMOOTH: f32 = 0.3;
/// What the second differences of that share lie below, for normal noise of deviation 1: the quantile of a normal
/// distribution's absolute value, 0.3853, times the root of 1 + 4 + 1.
const BELOW: f32 = 0.9438;
/// Least number of places that tell the noise of a luminance.
const ENOUGH: usize = 200;
/// Rows looked at, about.
const ROWS: usize = 128;
/// Largest difference of red and blue that is told, over luminance.
const MOST: f32 = 1e3;

/// Share of colour to keep, 0..=1, over log2 luminance; `None` for a map without colours, or too small to tell.
pub(super) fn colour_kept(map: &RadianceMap, metering: Metering) -> Option<Table> {
    let (rows, columns, channels) = map.radiance.dim();
    let light = map.radiance.as_slice().filter(|_| channels == 3)?;
    let mut bins: Vec<Vec<[f32; 2]>> = vec![Vec::new(); COUNT];
    let every = rows.div_ceil(ROWS).max(1);
    for row in light.chunks_exact((3 * columns).max(1)).step_by(every) {
        let pixels = row.as_chunks::<3>().0.iter();
        let pixels: Vec<[f32; 2]> = pixels.map(|p| colour(p, metering)).collect();
        for window in pixels.windows(3) {
            let [a, b, c] = [window[0], window[1], window[2]];
            bins[bin(b[0])].push([(a[1] - 2.0 * b[1] + c[1]).abs(), b[1].abs()]);
        }
    }
    let shares = shares(bins)?;
    Some(Table::of(Table::places().map(|log| {
        let at = ((log as f32 + REACH) * BINS).clamp(0.0, (COUNT - 1) as f32);
        let (below, above) = (at as usize, (at as usize + 1).min(COUNT - 1));
        f64::from(shares[below] + at.fract() * (shares[above] - shares[below]))
    })))
}

/// Log2 luminance, and red less blue over luminance.
fn colour(pixel: &[f32; 3], metering: Metering) -> [f32; 2] {
    let light = metering.luminance(pixel);
    let difference = (pixel[0] - pixel[2]) / light.max(1e-9);
    [log2(light), difference.clamp(-MOST, MOST)]
}

/// The nearest bin of a log2 luminance.
fn bin(log: f32) -> usize {
    (((log + REACH) * BINS).round().max(0.0) as usize).min(COUNT - 1)
}

/// The element of a column that a share (0..=1) of the places lies below.
fn quantile(bin: &mut [[f32; 2]], column: usize, share: f32) -> f32 {
    let at = (share * bin.len() as f32) as usize;
    bin.select_nth_unstable_by(at, |a, b| a[column].total_cmp(&b[column]))
        .1[column]
}

/// Shares kept, bin by bin, from second differences of colour and from colour itself. Noise never rises with luminance; bins with too
/// few places below all others have the noise of the darkest that has enough.
fn shares(bins: Vec<Vec<[f32; 2]>>) -> Option<Vec<f32>> {
    let mut least = None;
    let noise: Vec<Option<f32>> = bins
        .into_iter()
        .map(|mut bin| {
            if bin.len() >= ENOUGH {
                let usual = quantile(&mut bin, 1, SMOOTH).max(1.0);
                let smooth = quantile(&mut bin, 0, SMOOTH) / BELOW / usual;
                least = Some(least.map_or(smooth, |l: f32| l.min(smooth)));
            }
            least
        })
        .collect();
    let darkest = noise.iter().flatten().next().copied()?;
    let share = |noise: f32| (SEEN / noise.max(SEEN)).clamp(0.0, 1.0);
    Some(
        noise
            .into_iter()
            .map(|n| share(n.unwrap_or(darkest)))
            .collect(),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array3;
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use stopspan_core::units::Primaries;

    /// Grey from dark to light over ten stops, with the same noise in every channel everywhere: colour is kept where it
    /// makes less than [`SEEN`], and falls as the noise over luminance rises.
    #[test]
    fn colour_is_kept_where_it_is_above_the_noise() {
        let mut rng = ChaCha8Rng::seed_from_u64(9);
        let mut normal = || (0..12).map(|_| rng.random_range(-0.5f32..0.5)).sum::<f32>();
        let deviation = 2f32.powi(-9);
        let light = Array3::from_shape_fn((128, 2000, 3), |(_, c, _)| {
            (10.0 * c as f32 / 2000.0 - 10.0).exp2() + deviation * normal()
        });
        let map = RadianceMap::of_radiance(light, Primaries::SRGB);
        let metering = Metering {
            weights: [0.2126, 0.7152, 0.0722],
            floor: 0.0,
        };
        let kept = colour_kept(&map, metering).unwrap();
        for log in [-1.0f32, -3.0, -5.0] {
            assert_eq!(kept.at(log), 1.0, "{log}");
        }
        // Red less blue has twice the variance of a channel.
        for log in [-7.0f32, -8.0] {
            let wanted = SEEN / (2f32.sqrt() * deviation / log.exp2());
            assert!(
                (kept.at(log) / wanted - 1.0).abs() < 0.25,
                "{log}: {} {wanted}",
                kept.at(log)
            );
        }
    }

    #[test]
    fn a_grey_map_has_no_colours_to_keep() {
        let map = RadianceMap::of_radiance(Array3::ones((9, 9, 1)), Primaries::SRGB);
        let metering = Metering {
            weights: [0.2126, 0.7152, 0.0722],
            floor: 0.0,
        };
        assert!(colour_kept(&map, metering).is_none());
    }
}
