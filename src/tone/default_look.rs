//! Our own choice of a look: the photographer's exposure, tempered; soft shoulder and toe; gentle local compression.
use ndarray::Array2;

/// Display luminance of mid grey, and what a reference frame shows of a grey card: 18 %.
const MID: f64 = 0.18;
/// Contrast exponent of the curve in the dark: slightly above 1, so that deep shade keeps its weight.
pub(super) const CONTRAST: f64 = 1.25;

/// What the base keeps of its contrast: gentle.
pub(super) const BASE_CONTRAST: f64 = 0.78;

/// How far mid grey follows the scene's mean, both in stops: little towards the dark, so that a low-key scene stays low
/// in key; more towards the light. Means further than four stops off cannot come from an exposure that was meant, and
/// are followed in full from there.
fn tempered(deviation: f64) -> f64 {
    let share = if deviation > 0.0 { 0.8 } else { 0.35 };
    let near = deviation.clamp(-4.0, 4.0);
    share * near + (deviation - near)
}

/// Where the curve has its mid grey (log2 luminance) for a locally compressed scene.
pub(super) fn mid_log(filtered: &Array2<f32>) -> f64 {
    // Radiance 1 just clips the reference frame, so its mid grey sits at 0.18.
    let usual = MID.log2();
    let sum: f64 = filtered.iter().map(|&v| f64::from(v)).sum();
    usual + tempered(sum / filtered.len().max(1) as f64 - usual)
}

/// The curve `w x^n / (x^n + k)`, x being luminance over mid grey, with `k` and `w` such that mid grey becomes 0.18 and
/// `white` (stops above mid grey, at least 2.8) becomes 1.
pub(super) fn display_luminance(stops: f64, white: f64) -> f64 {
    let b = (CONTRAST * white).exp2();
    let k = b * (1.0 - MID) / (MID * b - 1.0);
    let x = (CONTRAST * stops).exp2();
    (b + k) / b * x / (x + k)
}

/// The curve for a scene whose locally compressed small plane is `filtered`: white lies where all but 0.1 % of the
/// scene is darker, but no lower than half a stop above what clips a frame with that mid grey.
pub(super) fn operator(filtered: &Array2<f32>, mid: f64) -> impl Fn(f64) -> f64 + use<> {
    let (_, bright) = super::gain::quantiles(filtered, 0.5, 0.999);
    let white = (bright - mid + 0.25).max(3.0);
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
        for i in -80..80 {
            let d = f64::from(i) * 0.1;
            let (here, next) = (d - tempered(d), d + 0.1 - tempered(d + 0.1));
            assert!(next >= here - 1e-12, "{d}");
        }
        assert_eq!(tempered(0.0), 0.0);
    }
}
