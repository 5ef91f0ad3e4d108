//! Uniform veiling glare in closed form: its effect on densities, contrast, and the range of a capture.
//!
//! Glare is the same share of the light in every frame of a bracket, so merging cannot remove it: McCann and Rizzi (2007).
//! Subtracting its mean restores the contrast but leaves its photon noise.
use crate::range::{Capture, darkest};
use stopspan_core::model::NoiseModel;
use stopspan_core::results::GlareRange;

/// Apparent density of a step of density `density` under a glare of `share` of white:
/// `-log10((10^-D + share) / (1 + share))`.
pub fn apparent_density(density: f64, share: f64) -> f64 {
    -((10f64.powf(-density) + share) / (1.0 + share)).log10()
}

/// Stops between white and zero light as they reach the sensor: `log2((1 + share) / share)`; `None` without glare.
pub fn ceiling_stops(share: f64) -> Option<f64> {
    (share > 0.0).then(|| ((1.0 + share) / share).log2())
}

/// Range of a capture at each SNR: with glare counted as signal, and after subtraction of its mean `glare` (radiance in the
/// capture's unit, >= 0).
pub fn scene_ranges(
    capture: &Capture,
    model: &NoiseModel,
    glare: f64,
    snrs: &[f64],
) -> Vec<GlareRange> {
    let range = |&snr: &f64| {
        let dark = darkest(capture, model, snr)?.max(capture.floor());
        Some(GlareRange {
            snr,
            before_stops: (capture.top() / dark.max(glare)).log2(),
            after_stops: after(capture, model, glare, snr),
        })
    };
    snrs.iter().filter_map(range).collect()
}

/// Stops of scene light: the darkest `s` with `s >= snr * sigma(s + glare)`, by bisection of its logarithm.
fn after(capture: &Capture, model: &NoiseModel, glare: f64, snr: f64) -> Option<f64> {
    const DEEPEST: f64 = 40.0;
    let top = capture.top() - glare;
    let reaches = |stops: f64| {
        let scene = top * (-stops).exp2();
        scene >= snr * capture.variance(model, scene + glare).sqrt()
    };
    if top <= 0.0 || !reaches(1e-6) || reaches(DEEPEST) {
        return None;
    }
    let (mut low, mut high) = (1e-6, DEEPEST);
    for _ in 0..60 {
        let middle = (low + high) / 2.0;
        if reaches(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    let floor = capture.floor();
    let darkest = top * (-low).exp2();
    Some((top / darkest.max(floor - glare)).log2())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Source;
    use stopspan_core::model::ResponseCurve;

    #[test]
    fn glare_shrinks_densities_as_computed_apart_from_this_file() {
        // `-log10((10**-D + p) / (1 + p))` and `log2((1 + p) / p)` computed in Python, to 4 digits: share, ceiling, D 1.5, 2.1,
        // 3.0, and what the step from 2.85 to 3.0 shows as.
        let table = [
            (0.0005, 10.9665, 1.4934, 2.0737, 2.8241, 0.1055),
            (0.002, 8.9687, 1.4742, 2.0033, 2.5237, 0.0560),
            (0.005, 7.6511, 1.4384, 1.8901, 2.2240, 0.0289),
            (0.01, 6.6582, 1.3850, 1.7504, 1.9629, 0.0160),
            (0.02, 5.6724, 1.2958, 1.5623, 1.6864, 0.0084),
        ];
        for (share, ceiling, d15, d21, d30, step) in table {
            let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-4, "{share}: {a} {b}");
            near(ceiling_stops(share).unwrap(), ceiling);
            near(apparent_density(1.5, share), d15);
            near(apparent_density(2.1, share), d21);
            near(apparent_density(3.0, share), d30);
            near(
                apparent_density(3.0, share) - apparent_density(2.85, share),
                step,
            );
        }
        assert_eq!(ceiling_stops(0.0), None);
    }

    #[test]
    fn subtracting_glare_leaves_its_photon_noise() {
        // A linear sensor of 8000 e- and 3 e-: the darkest scene light at SNR s under a glare of G electrons solves
        // s^2 (L + G + v) = L^2, so L = (s^2 + s sqrt(s^2 + 4 (G + v))) / 2.
        let capture = Capture::of(&[Source::new(ResponseCurve::linear(4096, 1.0), 1.0)]).unwrap();
        let model = NoiseModel {
            shot: 1.0 / 8000.0,
            read_variance: 9.0 / 8000f64.powi(2),
            code_variance: 0.0,
        };
        let glare = 40.0;
        for (got, s) in scene_ranges(&capture, &model, glare / 8000.0, &[1.0, 10.0])
            .iter()
            .zip([1.0f64, 10.0])
        {
            let dark = (s * s + s * (s * s + 4.0 * (glare + 9.0)).sqrt()) / 2.0;
            let expected = ((8000.0 - glare) / dark).log2();
            assert!((got.after_stops.unwrap() - expected).abs() < 1e-3);
            let plain = (s * s + s * (s * s + 36.0).sqrt()) / 2.0;
            let before = (8000.0 / plain.max(glare)).log2();
            assert!((got.before_stops - before).abs() < 1e-3);
        }
    }
}
