//! Our own choice of a look: the key of the exposure, drawn towards that of natural pictures; contrast where the eye
//! rests, straight shade, a soft shoulder; gentle local compression.
//!
//! What natural pictures look like is taken from the statistics that Yeganeh and Wang (2013) collected from some 3000
//! photographs for their naturalness: a mean of 116 of 255 codes, and more local contrast than a merged scene
//! has if its whole range is squeezed by one curve. The other constants were chosen by eye and by that measure on
//! simulated scenes other than those the tests use.
use ndarray::Array2;
use stopspan_core::units::srgb_level;

/// Display luminance of mid grey, and what a reference frame shows of a grey card: 18 %.
const MID: f64 = 0.18;
/// Slope of the curve at mid grey, log display over log scene luminance, before the shoulder.
const CONTRAST: f64 = 2.4;
/// Distance from mid grey over which the slope falls back to 1, stops: deep shade keeps its weight and its steps.
const REACH: f64 = 1.4;
/// Contrast above mid grey on a display with headroom, which needs no shoulder.
pub(super) const BRIGHT_CONTRAST: f64 = 1.25;
/// What the base keeps of its contrast: gentle.
pub(super) const BASE_CONTRAST: f64 = 0.85;
/// Factor on the contrast of texture. Steps of half a stop and less, which are texture, overshoot by up to half of what lies
/// between this and [`BASE_CONTRAST`], a sixth of their height; steps of a stop and more by less than 2 %.
pub(super) const TEXTURE_CONTRAST: f64 = 1.2;
/// Mean level of natural pictures.
const NATURAL: f64 = 115.94 / 255.0;
/// Bins a stop of the histogram that the mean level is computed from.
const BINS: f64 = 16.0;

/// The mean level a picture is given whose mean would be `meant` had the reference frame's exposure been kept: a tenth of
/// a departure to the light stays, for frames are exposed for their shade too, and four tenths of one to the dark, so
/// that a scene low in key stays low in key.
fn tempered(meant: f64) -> f64 {
    let share = if meant > NATURAL { 0.1 } else { 0.4 };
    NATURAL + share * (meant - NATURAL)
}

/// Where the curve has its mid grey (log2 luminance) for a scene whose locally compressed small plane is `filtered`: where
/// it leads to the mean level of [`tempered`].
pub(super) fn mid_log(filtered: &Array2<f32>) -> f64 {
    let mut bins = std::collections::BTreeMap::<i32, f64>::new();
    for &log in filtered {
        *bins
            .entry((f64::from(log) * BINS).round() as i32)
            .or_default() += 1.0;
    }
    let count = filtered.len().max(1) as f64;
    let bright = bright(filtered);
    let mean = |mid: f64| {
        let level = |bin: i32| {
            srgb_level(display_luminance(f64::from(bin) / BINS - mid, white(bright, mid)).min(1.0))
        };
        bins.iter().map(|(&bin, n)| n * level(bin)).sum::<f64>() / count
    };
    // Radiance 1 just clips the reference frame, so its mid grey sits at 0.18.
    let wanted = tempered(mean(MID.log2()));
    let (mut low, mut high) = (-40.0, 40.0);
    for _ in 0..40 {
        let middle = 0.5 * (low + high);
        if mean(middle) > wanted {
            low = middle;
        } else {
            high = middle;
        }
    }
    high
}

/// The curve `w x / (x + k)`, x being luminance over mid grey with its contrast raised near it, with `k` and `w` such that
/// mid grey becomes 0.18 and `white` (stops above mid grey, at least 2.8) becomes 1.
pub(super) fn display_luminance(stops: f64, white: f64) -> f64 {
    let raised = |x: f64| (x + (CONTRAST - 1.0) * REACH * (x / REACH).tanh()).exp2();
    let (b, x) = (raised(white), raised(stops));
    let k = b * (1.0 - MID) / (MID * b - 1.0);
    (b + k) / b * x / (x + k)
}

/// Log2 luminance that all but 0.1 % of the scene is darker than.
fn bright(filtered: &Array2<f32>) -> f64 {
    super::gain::quantiles(filtered, 0.5, 0.999).1
}

/// White, stops above mid grey: a quarter stop above what is bright, but no lower than half a stop above what clips a frame
/// with that mid grey.
fn white(bright: f64, mid: f64) -> f64 {
    (bright - mid + 0.25).max(3.0)
}

/// The curve for a scene whose locally compressed small plane is `filtered`.
pub(super) fn operator(filtered: &Array2<f32>, mid: f64) -> impl Fn(f64) -> f64 + use<> {
    let white = white(bright(filtered), mid);
    move |log| display_luminance(log - mid, white)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_curve_keeps_its_two_promises_and_rises() {
        for white in [3.0, 5.0, 8.0] {
            assert!((display_luminance(0.0, white) - MID).abs() < 1e-12);
            assert!((display_luminance(white, white) - 1.0).abs() < 1e-12);
            for i in -100..80 {
                let x = f64::from(i) * 0.1;
                assert!(display_luminance(x + 0.1, white) > display_luminance(x, white));
            }
        }
    }

    #[test]
    fn a_dark_scene_stays_darker_than_a_light_one() {
        let level = |stops: f32| {
            let scene = Array2::from_shape_fn((40, 50), |(r, c)| {
                stops + ((r * 7 + c) % 9) as f32 * 0.5 - 2.0
            });
            let curve = operator(&scene, mid_log(&scene));
            scene
                .iter()
                .map(|&v| srgb_level(curve(f64::from(v)).min(1.0)))
                .sum::<f64>()
                / 2000.0
        };
        let levels: Vec<f64> = (-12..4).map(|stops| level(stops as f32)).collect();
        assert!(levels.windows(2).all(|w| w[1] >= w[0] - 1e-3), "{levels:?}");
        assert!(
            levels[0] < 0.8 * NATURAL && levels[15] > NATURAL,
            "{levels:?}"
        );
        // and never by more than the rule says
        assert!(
            levels[0] > 0.59 * NATURAL && levels[15] < 1.2 * NATURAL,
            "{levels:?}"
        );
    }
}
