//! Tone operators against values of their published formulas, and what a rendering must keep.
//!
//! Sources: Reinhard, Stark, Shirley and Ferwerda (2002), equations 3 and 4; Drago, Myszkowski, Annen and Chiba (2003),
//! equation 4. The numbers were computed from the closed forms independently of this code (six decimals).
use ndarray::Array3;
use proptest::prelude::*;
use stopspan_core::model::RadianceMap;
use stopspan_core::units::Primaries;
use stopspan_tone::{Operator, ToneSettings, logarithmic, photographic, render, to_8_bit};

const OPERATORS: [Operator; 4] = [
    Operator::DefaultLook,
    Operator::Photographic,
    Operator::Logarithmic,
    Operator::Bilateral,
];

fn map(radiance: Array3<f32>) -> RadianceMap {
    RadianceMap::of_radiance(radiance, Primaries::SRGB)
}

#[test]
fn photographic_values() {
    let rows = [
        (0.18, f64::INFINITY, 0.152_542),
        (0.18, 4.0, 0.154_258),
        (2.88, f64::INFINITY, 0.742_268),
        (2.88, 4.0, 0.875_876),
    ];
    assert_eq!(rows.len(), 4);
    for (scaled, white, expected) in rows {
        let value = photographic::display_luminance(scaled, white);
        assert!((value - expected).abs() < 1e-6, "{scaled} {white}: {value}");
    }
}

#[test]
fn logarithmic_values() {
    let rows = [
        (0.01, 0.003_561),
        (0.1, 0.029_615),
        (1.0, 0.180_988),
        (10.0, 0.515_181),
        (100.0, 0.811_045),
        (1000.0, 1.0),
    ];
    assert_eq!(rows.len(), 6);
    for (world, expected) in rows {
        let value = logarithmic::display_luminance(world, 1000.0, logarithmic::BIAS);
        assert!((value - expected).abs() < 1e-6, "{world}: {value}");
    }
}

/// A 41-step wedge of 0.10 density in a dark frame on a textured grey ground.
fn wedge(step: f64, steps: usize) -> (Array3<f32>, Vec<(usize, usize)>) {
    let (rows, columns) = (600, 1200);
    let (top, left, width, height) = (220, 70, 1060 / steps, 140);
    let mut scene = Array3::from_shape_fn((rows, columns, 3), |(r, c, _)| {
        0.12 + 0.1 * ((r / 9 + c / 13) % 3) as f32
    });
    for r in top - 20..top + height + 20 {
        for c in left - 20..left + width * steps + 20 {
            for k in 0..3 {
                scene[[r, c, k]] = 0.02;
            }
        }
    }
    let mut centres = Vec::new();
    for i in 0..steps {
        for r in top..top + height {
            for c in left + i * width..left + (i + 1) * width {
                for k in 0..3 {
                    scene[[r, c, k]] = 10f64.powf(-0.05 - step * i as f64) as f32;
                }
            }
        }
        centres.push((top + height / 2, left + i * width + width / 2));
    }
    (scene, centres)
}

#[test]
fn no_operator_turns_the_order_of_a_wedge() {
    for (step, steps) in [(0.15, 21), (0.10, 41), (0.05, 53), (0.30, 13)] {
        let (scene, centres) = wedge(step, steps);
        for exposure in [0.0, 2.0] {
            let map = map(scene.mapv(|v| v * 2f32.powf(exposure)));
            for operator in OPERATORS {
                let picture = render(&map, &ToneSettings::with(operator));
                let codes: Vec<f64> = centres
                    .iter()
                    .map(|&(r, c)| {
                        let window = picture.slice(ndarray::s![r - 40..r + 40, c - 5..c + 5, 1]);
                        window.iter().map(|&v| f64::from(v)).sum::<f64>() / window.len() as f64
                    })
                    .collect();
                for (i, pair) in codes.windows(2).enumerate() {
                    assert!(
                        pair[0] >= pair[1],
                        "{operator:?}, {steps} steps, step {}: {} then {}",
                        i + 1,
                        pair[0],
                        pair[1]
                    );
                }
            }
        }
    }
}

/// Overshoot beside a clean step edge as a share of the edge's own contrast in codes.
fn halo(stops: f32, operator: Operator) -> f64 {
    let scene = Array3::from_shape_fn((400, 1000, 1), |(_, c, _)| {
        if c < 503 { 0.5 } else { 0.5 * (-stops).exp2() }
    });
    let picture = render(&map(scene), &ToneSettings::with(operator));
    let row: Vec<f64> = (0..1000).map(|c| f64::from(picture[[200, c, 0]])).collect();
    let (light, dark) = (row[60], row[940]);
    let above = row[..503].iter().map(|v| v - light).fold(0.0, f64::max);
    let below = row[503..].iter().map(|v| dark - v).fold(0.0, f64::max);
    let sag = row[..503].iter().map(|v| light - v).fold(0.0, f64::max);
    let lift = row[503..].iter().map(|v| v - dark).fold(0.0, f64::max);
    above.max(below).max(sag).max(lift) / (light - dark)
}

/// The default look has limits of its own (`default_look`).
#[test]
fn no_halo_beside_a_step_edge() {
    for operator in &OPERATORS[1..] {
        // Steps below a stop and a half are texture to the local operators, which keep its contrast.
        for stops in [1.5, 2.0, 3.0, 4.0, 7.0, 10.0] {
            let share = halo(stops, *operator);
            assert!(
                share < 0.02,
                "{operator:?}, {stops} stops: {:.2} %",
                100.0 * share
            );
        }
    }
}

#[test]
fn anything_gives_a_defined_picture() {
    let wild = [
        f32::NAN,
        f32::INFINITY,
        f32::NEG_INFINITY,
        -1.0,
        0.0,
        1e-40,
        1e30,
        0.2,
    ];
    for (rows, columns, channels) in [(1, 1, 1), (1, 1, 3), (1, 1000, 3), (37, 2, 1), (20, 33, 3)] {
        for kind in 0..10 {
            let scene = Array3::from_shape_fn((rows, columns, channels), |(r, c, k)| {
                if kind < 8 {
                    wild[kind]
                } else {
                    wild[(r * 5 + c * 3 + k + kind) % 8]
                }
            });
            for operator in OPERATORS {
                let picture = render(&map(scene.clone()), &ToneSettings::with(operator));
                assert_eq!(picture.dim(), (rows, columns, 3));
                if matches!(kind, 0 | 2 | 3 | 4) {
                    assert!(picture.iter().all(|&v| v == 0), "{operator:?} kind {kind}");
                }
            }
        }
    }
    let empty = render(&map(Array3::zeros((0, 5, 3))), &ToneSettings::default());
    assert_eq!(empty.dim(), (0, 5, 3));
}

#[test]
fn settings_that_are_no_numbers_count_as_the_default() {
    let scene = map(Array3::from_shape_fn((30, 40, 3), |(r, c, k)| {
        (r + c + k) as f32 * 0.02
    }));
    let odd = ToneSettings {
        exposure_stops: f64::NAN,
        highlights_stops: f64::INFINITY,
        shadows_stops: f64::NAN,
        local_contrast_stops: f64::NEG_INFINITY,
        saturation: f64::NAN,
        ..Default::default()
    };
    assert_eq!(
        render(&scene, &odd),
        render(&scene, &ToneSettings::default())
    );
}

#[test]
fn a_grey_map_is_grey_and_mono_gives_the_same() {
    let mono = Array3::from_shape_fn((64, 80, 1), |(r, c, _)| (r * c) as f32 * 3e-4);
    let rgb = Array3::from_shape_fn((64, 80, 3), |(r, c, _)| (r * c) as f32 * 3e-4);
    for operator in OPERATORS {
        let settings = ToneSettings::with(operator);
        let (a, b) = (
            render(&map(mono.clone()), &settings),
            render(&map(rgb.clone()), &settings),
        );
        for (x, y) in a.iter().zip(&b) {
            assert!(x.abs_diff(*y) <= 2, "{operator:?}: {x} {y}");
        }
        for picture in [a, b] {
            for pixel in picture.rows() {
                let (low, high) = (pixel.iter().min(), pixel.iter().max());
                assert!(
                    high.unwrap() - low.unwrap() <= 2,
                    "{operator:?} colours {pixel}"
                );
            }
        }
    }
}

#[test]
fn eight_bits_are_the_nearest_codes() {
    let codes = Array3::from_shape_fn((1, 65536, 1), |(_, c, _)| c as u16);
    for (code, eight) in codes.iter().zip(&to_8_bit(&codes)) {
        assert_eq!(f64::from(*eight), (f64::from(*code) / 257.0).round());
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// More light is never shown darker, by the global operators anywhere in a picture and whatever the controls.
    #[test]
    fn global_operators_keep_order(
        values in prop::collection::vec(-20.0f32..12.0, 64),
        photographic in any::<bool>(),
        exposure in -4.0f64..4.0,
        highlights in -3.0f64..3.0,
        shadows in -3.0f64..3.0,
    ) {
        let mut logs = values;
        logs.sort_by(f32::total_cmp);
        let scene = Array3::from_shape_fn((8, 8, 1), |(r, c, _)| logs[r * 8 + c].exp2());
        let settings = ToneSettings {
            operator: if photographic { Operator::Photographic } else { Operator::Logarithmic },
            exposure_stops: exposure,
            highlights_stops: highlights,
            shadows_stops: shadows,
            ..Default::default()
        };
        let picture = render(&map(scene), &settings);
        let codes: Vec<u16> = picture.iter().step_by(3).copied().collect();
        prop_assert!(codes.windows(2).all(|p| p[0] <= p[1]));
    }
}
