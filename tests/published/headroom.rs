//! The PQ signal of ITU-R BT.2100 and the mapping of ITU-R BT.2390 at values computed from the standards' closed forms,
//! independently of this code; ISO 21496-1's mathematics on a file of our own (foreign readers and files: `reference/gain_map`).
use super::srgb::to_linear;
use ndarray::Array3;
use stopspan_core::model::Limits;
use stopspan_core::model::RadianceMap;
use stopspan_core::raster::Pixels;
use stopspan_core::units::Primaries;
use stopspan_formats::{gain_map, read_picture};
use stopspan_tone::headroom::{REFERENCE_WHITE, map_to_display, pq, pq_luminance};
use stopspan_tone::{Operator, ToneSettings, bright_gain, render, render_bright};

#[test]
fn the_signal_has_its_published_values() {
    let rows = [
        (0.1, 0.062_337),
        (1.0, 0.149_946),
        (10.0, 0.299_699),
        (100.0, 0.508_078),
        (203.0, 0.580_689),
        (1000.0, 0.751_827),
        (4000.0, 0.902_572),
        (10_000.0, 1.0),
    ];
    assert_eq!(rows.len(), 8);
    for (luminance, signal) in rows {
        assert!((pq(luminance) - signal).abs() < 1e-6, "{luminance}");
        assert!((pq_luminance(pq(luminance)) / luminance - 1.0).abs() < 1e-9);
    }
    // ITU-R BT.2408: reference white at 58 % of the signal
    assert!((pq(REFERENCE_WHITE) - 0.58).abs() < 0.001);
}

#[test]
fn the_mapping_has_its_published_values() {
    let rows = [
        (10_000.0, 1000.0, 203.0, 203.00),
        (10_000.0, 1000.0, 400.0, 394.00),
        (10_000.0, 1000.0, 1000.0, 713.33),
        (10_000.0, 1000.0, 4000.0, 979.80),
        (4000.0, 600.0, 400.0, 362.03),
        (4000.0, 600.0, 1000.0, 537.37),
        (4000.0, 600.0, 4000.0, 600.0),
        (1000.0, 203.0, 100.0, 99.36),
        (1000.0, 203.0, 203.0, 159.04),
        (1000.0, 203.0, 1000.0, 203.0),
        // a luminance beyond the source counts as the source's
        (1000.0, 203.0, 4000.0, 203.0),
    ];
    assert_eq!(rows.len(), 11);
    for (source, target, luminance, expected) in rows {
        let found = map_to_display(luminance, source, target);
        assert!((found - expected).abs() < 0.01, "{luminance}: {found}");
    }
}

fn scene() -> RadianceMap {
    let radiance = Array3::from_shape_fn((96, 160, 3), |(r, c, k)| {
        let stops = 12.0 * c as f32 / 160.0 - 8.0 + 0.3 * (r as f32 * 0.15 + k as f32).sin();
        stops.exp2()
    });
    RadianceMap::of_radiance(radiance, Primaries::SRGB)
}

const OPERATORS: [Operator; 4] = [
    Operator::DefaultLook,
    Operator::Photographic,
    Operator::Logarithmic,
    Operator::Bilateral,
];

/// The light of a PQ picture is that of the SDR rendering times the gain, within the rounding of both.
#[test]
fn gain_leads_from_one_picture_to_the_other() {
    let (map, offset) = (scene(), 1.0 / 64.0);
    for operator in OPERATORS {
        let settings = ToneSettings::with(operator);
        let (plain, bright) = (
            render(&map, &settings),
            render_bright(&map, &settings, 1000.0),
        );
        let gain = bright_gain(&map, &settings, 1000.0, 1, offset);
        assert!(bright.lightest <= 1000.5 && bright.average < bright.lightest);
        let (of_709, of_2020) = (Primaries::SRGB.to_xyz()[1], Primaries::BT_2020.to_xyz()[1]);
        for ((r, c), gain) in gain.indexed_iter() {
            let y = |weights: [f64; 3], light: &dyn Fn(u16) -> f64, codes: &Array3<u16>| -> f64 {
                (0..3).map(|k| weights[k] * light(codes[[r, c, k]])).sum()
            };
            let a = y(of_709, &|v| to_linear(f64::from(v) / 65535.0), &plain);
            let b = y(
                of_2020,
                &|v| pq_luminance(f64::from(v) / 65535.0) / REFERENCE_WHITE,
                &bright.codes,
            );
            let found = ((b + offset) / (a + offset)).log2();
            assert!(
                (found - f64::from(*gain)).abs() < 0.01,
                "{operator:?} {r} {c}: {found} {gain}"
            );
        }
    }
}

/// More light never gives a lower signal, and mid grey stays where the plain rendering has it.
#[test]
fn order_is_kept_above_white() {
    let radiance = Array3::from_shape_fn((8, 400, 1), |(_, c, _)| (c as f32 * 0.05 - 14.0).exp2());
    let map = RadianceMap::of_radiance(radiance, Primaries::SRGB);
    for operator in [Operator::Photographic, Operator::Logarithmic] {
        for peak in [203.0, 600.0, 10_000.0, f64::NAN] {
            let bright = render_bright(&map, &ToneSettings::with(operator), peak);
            let row: Vec<u16> = (0..400).map(|c| bright.codes[[4, c, 0]]).collect();
            assert!(row.windows(2).all(|w| w[0] <= w[1]), "{operator:?} {peak}");
        }
    }
}

/// From the map to the light in the file and back: the gain of every pixel comes out of the block means and 8 bits of the gain map
/// with a mean error of at most 0.01 stop. Both the writer and the reader here are ours; `reference/gain_map` has foreign ones.
#[test]
fn a_gain_map_file_comes_back() {
    let (map, settings) = (scene(), ToneSettings::default());
    let codes = stopspan_tone::to_8_bit(&render(&map, &settings));
    let gain = bright_gain(&map, &settings, 1000.0, 2, gain_map::OFFSET);
    let base = gain_map::BasePicture {
        samples: codes.view(),
        quality: 100,
        subsampling: stopspan_formats::jpeg::Subsampling::Full,
        icc: &stopspan_formats::srgb_profile(),
        exif: None,
    };
    let headroom = (1000.0f64 / 203.0).log2();
    let bytes = gain_map::encode(&base, &gain, headroom).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.jpg");
    std::fs::write(&path, bytes).unwrap();
    let back = gain_map::read(&path, &Limits::default()).unwrap().unwrap();
    assert!((back.metadata.alternate_headroom - headroom).abs() < 1e-5);
    let Pixels::U8(plain) = read_picture(&path, &Limits::default()).unwrap().pixels else {
        panic!("not 8 bits");
    };
    let full = bright_gain(&map, &settings, 1000.0, 1, gain_map::OFFSET);
    let (mut sum, mut count) = (0.0, 0);
    for ((r, c, k), light) in back.light.indexed_iter() {
        let base = to_linear(f64::from(plain[[r, c, k]]) / 255.0) + gain_map::OFFSET;
        let found = ((f64::from(*light) + gain_map::OFFSET) / base).log2();
        sum += (found - f64::from(full[[r, c]])).abs();
        count += 1;
    }
    let mean = sum / f64::from(count);
    println!("mean error of the gain {mean:.4} stop");
    assert!(mean <= 0.01, "{mean}");
}
