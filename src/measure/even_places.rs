//! Even places of a picture, and their light and noise: what shots of one subject are compared on without a wedge.
use crate::shots::{LEAST_SNR, Place};
use stopspan_core::model::main_channel;
use stopspan_core::raster::{Pixels, Point};
use stopspan_core::units::srgb_exposure;

/// Width of the picture over the side of a place.
const SIDES: usize = 80;
/// Least side of a place, pixels: enough samples for a deviation to 10 %.
const LEAST_SIDE: usize = 10;
/// Range of mean levels, 0..=1, of an even place.
const LEVELS: (f32, f32) = (0.05, 0.9);
/// Bands of lightness from which places are taken, and places per band: light and dark ones count alike.
const BANDS: (usize, usize) = (8, 5);
/// Largest spread of the means of a square's quarters, share of its mean level: noise of SNR 5 reaches half of it (own choice).
const SPREAD: f32 = 0.15;
/// Level, 0..=1, from which a sample counts as clipped, and up to which as black: the last and first two 8-bit codes.
const ENDS: (f32, f32) = (253.5 / 255.0, 1.5 / 255.0);

/// A square on a picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EvenPlace {
    /// Its middle, pixels.
    pub middle: Point,
    /// Its side, pixels.
    pub side: f64,
}

/// The most even squares of a picture, of all levels: those whose quarters differ least from each other.
pub fn even_places(pixels: &Pixels) -> Vec<EvenPlace> {
    let (rows, columns, channels) = pixels.dim();
    let side = (columns / SIDES).max(LEAST_SIDE) & !1;
    let main = main_channel(channels);
    let half = side / 2;
    let mut found: Vec<(f32, f32, EvenPlace)> = Vec::new();
    for top in (0..rows.saturating_sub(side)).step_by(side) {
        for left in (0..columns.saturating_sub(side)).step_by(side) {
            let mean = |dr: usize, dc: usize| {
                let all = (0..half).flat_map(|r| (0..half).map(move |c| (r, c)));
                let sum: f32 = all
                    .map(|(r, c)| pixels.level(top + dr * half + r, left + dc * half + c, main))
                    .sum();
                sum / (half * half) as f32
            };
            let quarters = [mean(0, 0), mean(0, 1), mean(1, 0), mean(1, 1)];
            let level = quarters.iter().sum::<f32>() / 4.0;
            let (low, high) = quarters
                .iter()
                .fold((f32::MAX, f32::MIN), |(l, h), v| (l.min(*v), h.max(*v)));
            if (LEVELS.0..LEVELS.1).contains(&level) && high - low < SPREAD * level {
                let place = EvenPlace {
                    middle: Point {
                        x: (left + half) as f64,
                        y: (top + half) as f64,
                    },
                    side: side as f64,
                };
                found.push((level, (high - low) / level, place));
            }
        }
    }
    found.sort_by(|a, b| a.0.total_cmp(&b.0));
    let band = found.len().div_ceil(BANDS.0).max(1);
    let bands = found.chunks_mut(band).flat_map(|band| {
        band.sort_by(|a, b| a.1.total_cmp(&b.1));
        band[..BANDS.1.min(band.len())].iter().map(|f| f.2)
    });
    bands.collect()
}

/// Light and SNR of a square in the displayed picture (IEC 61966-2-1), a slope removed; `None` where it is not whole in the picture, is
/// clipped or black, or has no noise.
pub fn measure_at(pixels: &Pixels, number: usize, at: EvenPlace) -> Option<Place> {
    let (rows, columns, channels) = pixels.dim();
    let side = (at.side.round() as usize).max(LEAST_SIDE);
    let first = |middle: f64, end: usize| {
        let start = (middle - side as f64 / 2.0).round();
        (start >= 0.0 && start as usize + side <= end).then_some(start as usize)
    };
    let (left, top) = (first(at.middle.x, columns)?, first(at.middle.y, rows)?);
    let main = main_channel(channels);
    let levels: Vec<f32> = (top..top + side)
        .flat_map(|r| (left..left + side).map(move |c| (r, c)))
        .map(|(r, c)| pixels.level(r, c, main))
        .collect();
    let share = |test: &dyn Fn(f32) -> bool| {
        levels.iter().filter(|v| test(**v)).count() as f64 / levels.len() as f64
    };
    if share(&|v| v >= ENDS.0) >= 0.01 || share(&|v| v <= ENDS.1) >= 0.5 {
        return None;
    }
    let light: Vec<f64> = levels
        .iter()
        .map(|v| srgb_exposure(f64::from(*v)))
        .collect();
    let mean = light.iter().sum::<f64>() / light.len() as f64;
    let deviation = about_a_plane(&light, side);
    let snr = mean / deviation;
    (mean > 0.0 && snr.is_finite() && snr >= LEAST_SNR).then_some(Place {
        number,
        light: mean,
        snr,
        chroma: None,
    })
}

/// Standard deviation of the samples of a square about the plane fitted to them.
fn about_a_plane(samples: &[f64], side: usize) -> f64 {
    let middle = (side as f64 - 1.0) / 2.0;
    let offset = |i: usize| i as f64 - middle;
    let places = || samples.iter().enumerate();
    let square: f64 = places().map(|(i, _)| offset(i % side).powi(2)).sum();
    let mean = samples.iter().sum::<f64>() / samples.len() as f64;
    let across = places().map(|(i, v)| offset(i % side) * v).sum::<f64>() / square;
    let down = places().map(|(i, v)| offset(i / side) * v).sum::<f64>() / square;
    let left =
        |(i, v): (usize, &f64)| v - mean - across * offset(i % side) - down * offset(i / side);
    let sum: f64 = places().map(|p| left(p).powi(2)).sum();
    (sum / (samples.len() as f64 - 3.0)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array3;
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};

    /// A ramp of linear light with noise of known SNR, as 16-bit sRGB.
    #[test]
    fn light_and_snr_of_a_square_are_those_that_were_made() {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(5);
        let unit = Normal::new(0.0, 1.0).unwrap();
        for (light, snr) in [(0.2, 25.0), (0.03, 8.0)] {
            let codes = Array3::from_shape_fn((120, 160, 3), |(_, c, _)| {
                let own = light * (1.0 + 0.002 * (c as f64 - 80.0));
                let noisy = own + light / snr * unit.sample(&mut random);
                let level = stopspan_core::units::srgb_level(noisy.clamp(0.0, 1.0));
                (65535.0 * level).round() as u16
            });
            let place = EvenPlace {
                middle: Point { x: 80.0, y: 60.0 },
                side: 60.0,
            };
            let found = measure_at(&Pixels::U16(codes), 1, place).unwrap();
            // 3600 samples: the deviation is known to 1.2 %.
            assert!((found.light / light - 1.0).abs() < 0.01, "{found:?}");
            assert!((found.snr / snr - 1.0).abs() < 0.04, "{found:?} {snr}");
        }
    }

    #[test]
    fn even_squares_are_found_and_edges_are_not() {
        // Checks of 40 pixels, off the grid of squares by 5.
        let pixels = Pixels::U8(Array3::from_shape_fn((400, 800, 1), |(r, c, _)| {
            let check = ((r + 5) / 40 + (c + 5) / 40) % 2 == 0;
            if check { 180 } else { 60 }
        }));
        let found = even_places(&pixels);
        assert!(found.len() >= 20, "{}", found.len());
        for place in found {
            let near = |v: f64| ((v + 5.0) % 40.0 - 20.0).abs() <= 15.0;
            assert!(near(place.middle.x) && near(place.middle.y), "{place:?}");
        }
    }
}
