//! The default look: an exposure, a tone curve and mild local compression chosen by statistics and by eye.
//!
//! The exposure is that of the reference frame, adjusted towards the mean level of natural pictures. The curve raises
//! contrast about mid grey, is linear in the shadows and has a soft shoulder.
//!
//! The statistics of natural pictures are those that Yeganeh and Wang (2013) collected from some 3000 photographs for
//! their naturalness measure: a mean of 116 of 255 codes, and more local contrast than one global curve leaves a
//! scene of wide range. The other constants were chosen by eye and by that measure, on simulated scenes other than
//! those of the tests.
use ndarray::Array2;
use stopspan_core::units::srgb_level;

/// Display luminance of mid grey: 18 %, as a reference frame renders a grey card.
const MID: f64 = 0.18;
/// Slope of the curve at mid grey, log display over log scene luminance, before the shoulder.
const CONTRAST: f64 = 2.4;
/// Distance from mid grey, stops, over which the slope returns to 1; shadows keep their contrast.
const REACH: f64 = 1.4;
/// Slope above mid grey on a display with headroom, where no shoulder is needed.
pub(super) const BRIGHT_CONTRAST: f64 = 1.25;
/// Factor on the contrast of the base.
pub(super) const BASE_CONTRAST: f64 = 0.85;
/// Factor on the contrast of texture. Steps of half a stop and less count as texture and overshoot by up to half of
/// the difference to [`BASE_CONTRAST`], a sixth of their height; steps of a stop and more by less than 2 %.
pub(super) const TEXTURE_CONTRAST: f64 = 1.2;
/// Mean level of natural pictures, fraction of full scale.
const NATURAL: f64 = 115.94 / 255.0;
/// Bins for each stop of the histogram from which the mean level is computed.
const BINS: f64 = 16.0;

/// Target for the mean level of a picture whose mean at the reference frame's exposure is `meant`. Of a deviation
/// from [`NATURAL`] towards light a tenth is kept, since frames are also exposed for their shadows; of one towards
/// dark four tenths, so that a low-key scene stays low-key.
fn tempered(meant: f64) -> f64 {
    let share = if meant > NATURAL { 0.1 } else { 0.4 };
    NATURAL + share * (meant - NATURAL)
}

/// Log2 luminance to be rendered as mid grey for a scene whose locally compressed small plane is `filtered`: that
/// which gives the mean level of [`tempered`].
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
    // Radiance 1 just clips the reference frame, so its mid grey is radiance 0.18.
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

/// The curve `w x / (x + k)`, where x is luminance over mid grey with its contrast raised near mid grey. `k` and `w`
/// are such that mid grey becomes 0.18, and `white` (stops above mid grey, at least 2.8) becomes 1.
pub(super) fn display_luminance(stops: f64, white: f64) -> f64 {
    let raised = |x: f64| (x + (CONTRAST - 1.0) * REACH * (x / REACH).tanh()).exp2();
    let (b, x) = (raised(white), raised(stops));
    let k = b * (1.0 - MID) / (MID * b - 1.0);
    (b + k) / b * x / (x + k)
}

/// The 99.9 % quantile of log2 luminance.
fn bright(filtered: &Array2<f32>) -> f64 {
    super::gain::quantiles(filtered, 0.5, 0.999).1
}

/// White point, stops above mid grey: a quarter stop above the bright end of the scene, at least half a stop above
/// the clip level of a frame with that mid grey.
fn white(bright: f64, mid: f64) -> f64 {
    (bright - mid + 0.25).max(3.0)
}

/// Tone curve for a scene whose locally compressed small plane is `filtered`, with mid grey at `mid`.
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
        // and never by more than the rule allows
        assert!(
            levels[0] > 0.59 * NATURAL && levels[15] < 1.2 * NATURAL,
            "{levels:?}"
        );
    }
}
