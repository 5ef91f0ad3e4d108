//! The default look against the statistics of natural pictures of Yeganeh and Wang (2013): mean level and local contrast.
use ndarray::{Array2, Array3};
use stopspan_core::model::{RadianceMap, ReferenceTones};
use stopspan_core::units::Primaries;
use stopspan_tone::{Operator, ToneSettings, render};

/// Likelihood over its peak: a normal density of the mean level (115.94, 27.99 codes) times a beta density (4.4, 10.1) of
/// the mean local deviation over 64.29 codes.
fn naturalness(mean: f64, deviation: f64) -> f64 {
    let (a, b) = (4.4f64, 10.1f64);
    let mode = (a - 1.0) / (a + b - 2.0);
    let x = (deviation / 64.29).clamp(0.0, 1.0);
    let bright = (-0.5 * ((mean - 115.94) / 27.99).powi(2)).exp();
    bright * (x / mode).powf(a - 1.0) * ((1.0 - x) / (1.0 - mode)).powf(b - 1.0)
}

/// Mean level, and mean of the deviations in separate blocks of 11 x 11 pixels, in 8-bit codes.
fn statistics(picture: &Array3<u16>) -> (f64, f64) {
    let (rows, columns, _) = picture.dim();
    let y = Array2::from_shape_fn((rows, columns), |at| {
        let code = |k: usize| f64::from(picture[[at.0, at.1, k]]) / 257.0;
        0.2126 * code(0) + 0.7152 * code(1) + 0.0722 * code(2)
    });
    let deviations: Vec<f64> = y
        .exact_chunks((11, 11))
        .into_iter()
        .map(|b| b.std(1.0))
        .collect();
    let mean = y.iter().sum::<f64>() / y.len() as f64;
    (
        mean,
        deviations.iter().sum::<f64>() / deviations.len() as f64,
    )
}

#[test]
fn naturalness_has_its_values() {
    for (mean, deviation, expected) in [
        (115.94, 17.487, 1.0),
        (128.0, 20.0, 0.8707),
        (90.0, 30.0, 0.2404),
    ] {
        let found = naturalness(mean, deviation);
        assert!(
            (found - expected).abs() < 5e-5,
            "{mean} {deviation}: {found}"
        );
    }
}

/// A scene of fourteen stops: slow variation of light, texture of a third of a stop, a bright window.
fn scene(seed: u32, key: f32) -> RadianceMap {
    let hash = move |r: usize, c: usize| {
        let mut h =
            (r as u32).wrapping_mul(0x9e37_79b9) ^ (c as u32).wrapping_mul(0x85eb_ca6b) ^ seed;
        h = (h ^ (h >> 15)).wrapping_mul(0x2c1b_3c6d);
        ((h ^ (h >> 13)) & 0xffff) as f32 / 65535.0 - 0.5
    };
    let phase = seed as f32;
    let radiance = Array3::from_shape_fn((480, 720, 3), |(r, c, k)| {
        let (y, x) = (r as f32, c as f32);
        let slow = 3.0 * (x * 0.011 + phase).sin() + 2.0 * (y * 0.017 + 0.5 * phase).cos();
        let texture = 1.2 * (hash(r / 4, c / 4) + 0.5 * hash(r / 2 + 999, c / 2));
        let window = if (60..150).contains(&r) && (500..600).contains(&c) {
            4.0
        } else {
            0.0
        };
        (key + slow + texture + window + 0.1 * k as f32).exp2()
    });
    RadianceMap::of_radiance(radiance, Primaries::SRGB)
}

#[test]
fn the_default_lies_nearest_to_natural_pictures() {
    for (seed, key) in [(1, -1.0), (2, -2.0), (3, 0.0), (4, -3.0)] {
        let map = scene(seed, key);
        let score = |operator| {
            let (mean, deviation) = statistics(&render(&map, &ToneSettings::with(operator)));
            println!("{seed} {operator:?}: mean {mean:.1}, deviation {deviation:.2}");
            naturalness(mean, deviation)
        };
        let ours = score(Operator::DefaultLook);
        for other in [
            Operator::Photographic,
            Operator::Logarithmic,
            Operator::Bilateral,
        ] {
            let theirs = score(other);
            assert!(
                ours > theirs,
                "{seed} {other:?}: {ours:.3} against {theirs:.3}"
            );
        }
    }
}

/// A scene that its frame shows darker stays darker, and no scene leaves the range that is natural.
#[test]
fn key_is_kept_within_what_is_natural() {
    let settings = ToneSettings {
        reference: Some(ReferenceTones::USUAL),
        ..Default::default()
    };
    let means: Vec<f64> = [-7.0, -5.0, -3.0, -1.0, 1.0]
        .map(|key| statistics(&render(&scene(5, key), &settings)).0)
        .into();
    println!("{means:.1?}");
    assert!(means.windows(2).all(|p| p[0] < p[1]), "{means:?}");
    assert!(
        means[0] < 90.0 && means.iter().all(|m| (m - 115.94).abs() < 2.0 * 27.99),
        "{means:?}"
    );
}
