//! Colour profiles and conversion against LittleCMS (colour/make.py made profiles and table; requirements.txt has versions),
//! and EXIF alone.
use crate::published::srgb::{to_level, to_linear};
use ndarray::Array3;
use std::path::Path;
use stopspan_core::model::RadianceMap;
use stopspan_core::model::colour::stated_colour;
use stopspan_core::model::{Header, profile_primaries};
use stopspan_core::raster::Pixels;
use stopspan_core::results::Quantity;
use stopspan_core::units::{Primaries, apply};
use stopspan_measure::compare::{D65, ciede2000, lab, xyz};
use stopspan_tone::{OutputColour, ToneSettings, render};

fn file(name: &str) -> Vec<u8> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/colour");
    std::fs::read(folder.join(name)).unwrap()
}

/// Linear light of a code by the curve that make.py gave the profile.
fn linear(space: &str, code: f64) -> f64 {
    let v = code / 255.0;
    match space {
        "display_p3" => to_linear(v),
        "adobe_rgb" => v.powf(563.0 / 256.0),
        "tables" => v.powf(2.2),
        "romm_rgb" => v.powf((1.8f64 * 256.0).round() / 256.0),
        other => panic!("{other}"),
    }
}

#[test]
fn profiles_of_another_maker_are_recognised() {
    for (name, space) in [
        ("display_p3.icc", Primaries::DISPLAY_P3),
        ("adobe_rgb.icc", Primaries::ADOBE_RGB),
        ("romm_rgb.icc", Primaries::ROMM),
        ("tables.icc", Primaries::DISPLAY_P3),
    ] {
        assert_eq!(profile_primaries(&file(name)), Ok(Some(space)), "{name}");
    }
}

/// In-gamut colours through our primaries and LittleCMS's 8-bit answer: CIEDE2000 at most 0.5, which holds the rounding
/// of the answer to 8 bits too. Answers at an end of the scale are clipped and say nothing.
#[test]
fn conversion_agrees_with_another_colour_library() {
    let text = String::from_utf8(file("to_srgb.csv")).unwrap();
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let (mut rows, mut checked, mut most) = (0, 0, 0.0f64);
    for record in reader.records() {
        let record = record.unwrap();
        rows += 1;
        let n: Vec<f64> = record.iter().skip(1).map(|v| v.parse().unwrap()).collect();
        if n[3..].iter().any(|v| !(2.0..=253.0).contains(v)) {
            continue;
        }
        let space = profile_primaries(&file(&format!("{}.icc", &record[0])));
        let matrix = space.unwrap().unwrap().to(&Primaries::SRGB);
        let light = [n[0], n[1], n[2]].map(|code| linear(&record[0], code));
        let ours = lab(xyz(apply(&matrix, light)), D65);
        let theirs = lab(xyz([n[3], n[4], n[5]].map(|c| to_linear(c / 255.0))), D65);
        let difference = ciede2000(ours, theirs);
        assert!(difference <= 0.5, "{record:?}: {difference}");
        most = most.max(difference);
        checked += 1;
    }
    println!("{checked} of {rows} colours in gamut, largest CIEDE2000 {most:.3}");
    assert_eq!(rows, 500);
    assert!(checked > 200, "{checked}");
}

#[test]
fn a_profile_without_primaries_is_named_and_tags_decide() {
    let mut profile = file("display_p3.icc");
    for name in [b"rXYZ", b"gXYZ", b"bXYZ"] {
        let at = profile.windows(4).position(|w| w == name).unwrap();
        profile[at..at + 4].copy_from_slice(b"none");
    }
    let problem = profile_primaries(&profile).unwrap_err();
    assert!(problem.contains("look-up tables"), "{problem}");
    // tables whose white is not the sum of the primaries: its last corner, before the output curves, made darker
    let mut bent = file("tables.icc");
    let at = bent.windows(4).position(|w| w == b"mft2").unwrap() + 52 + 2 * 3 * 256 + 2 * 21;
    bent[at + 2] /= 2;
    let problem = profile_primaries(&bent).unwrap_err();
    assert!(problem.contains("follow no primaries"), "{problem}");
    let header = |icc: Option<Vec<u8>>, index: &str| Header {
        icc_profile: icc,
        color_space: Some(0xffff),
        interoperability: Some(index.into()),
        ..Header::default()
    };
    let both = stated_colour(&header(Some(profile), "R03"));
    assert_eq!(both.primaries, Primaries::ADOBE_RGB);
    assert!(both.ignored.is_some());
    assert_eq!(
        stated_colour(&header(None, "R03")).primaries,
        Primaries::ADOBE_RGB
    );
    assert_eq!(
        stated_colour(&header(None, "R98")).primaries,
        Primaries::SRGB
    );
    let p3 = stated_colour(&header(Some(file("display_p3.icc")), "R03"));
    assert_eq!(p3.primaries, Primaries::DISPLAY_P3);
}

/// One light, stated in the primaries of three spaces, gives one picture.
#[test]
fn the_picture_does_not_depend_on_the_primaries_of_the_map() {
    let scene = Array3::from_shape_fn((40, 60, 3), |(r, c, k)| {
        let base = ((c as f64) * 0.15 - 7.0).exp2();
        base * (1.0 + 0.4 * ((r + 11 * k) as f64 * 0.3).sin())
    });
    let settings = |output| ToneSettings {
        output,
        ..ToneSettings::default()
    };
    for output in [OutputColour::Srgb, OutputColour::DisplayP3] {
        let pictures = [Primaries::SRGB, Primaries::ADOBE_RGB, Primaries::BT_2020].map(|space| {
            let matrix = Primaries::SRGB.to(&space);
            let mut radiance = Array3::zeros(scene.dim());
            for ((r, c, _), _) in scene.indexed_iter().step_by(3) {
                let light = apply(&matrix, [0, 1, 2].map(|k| scene[[r, c, k]]));
                (0..3).for_each(|k| radiance[[r, c, k]] = light[k] as f32);
            }
            render(
                &RadianceMap::of_radiance(radiance, space),
                &settings(output),
            )
        });
        for other in &pictures[1..] {
            let most = pictures[0]
                .iter()
                .zip(other)
                .map(|(a, b)| a.abs_diff(*b))
                .max();
            assert!(most.unwrap() <= 40, "{most:?} of 65535");
        }
    }
    // and a colour in both gamuts is the same colour in both outputs
    let grey = |v: f64| to_level(v);
    assert!((grey(0.18) - 0.4613).abs() < 1e-3);
}

/// The rows of colour/chart.py, numbers alone.
fn chart() -> Vec<Vec<f64>> {
    let text = String::from_utf8(file("chart_differences.csv")).unwrap();
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let numbers = |r: csv::StringRecord| r.iter().skip(1).map(|v| v.parse().unwrap()).collect();
    let rows: Vec<Vec<f64>> = reader.records().map(|r| numbers(r.unwrap())).collect();
    assert_eq!(rows.len(), 24);
    rows
}

/// Codes of a published chart's patches through our whole path to L*a*b* and CIEDE2000, against colour-science: every patch,
/// and its difference from the one before it.
#[test]
fn chart_colours_differ_as_another_colour_library_says() {
    let rows = chart();
    let ours = |row: &[f64]| {
        let linear = [row[0], row[1], row[2]].map(|c| to_linear(c / 255.0));
        lab(xyz(linear), D65)
    };
    for (i, row) in rows.iter().enumerate() {
        let found = ours(row);
        for (got, expected) in found.iter().zip(&row[3..6]) {
            assert!(
                (got - expected).abs() < 2e-5,
                "patch {i}: {found:?} {row:?}"
            );
        }
        let apart = ciede2000(ours(&rows[(i + 23) % 24]), found);
        assert!((apart - row[6]).abs() < 2e-5, "patch {i}: {apart} {row:?}");
    }
}

/// A camera that makes the chart warmer, compared with a merge that holds the chart: mean shift and CIEDE2000 of neutrals and
/// of colours after the lightness match, against colour-science's for the same codes.
#[test]
fn a_warm_picture_of_the_chart_is_as_far_off_as_another_colour_library_says() {
    const SIDE: usize = 80;
    let rows = chart();
    let patch = |r: usize, c: usize| &rows[r / SIDE * 6 + c / SIDE];
    let shape = (4 * SIDE, 6 * SIDE, 3);
    let radiance =
        Array3::from_shape_fn(shape, |(r, c, k)| to_linear(patch(r, c)[k] / 255.0) as f32);
    let plain = Array3::from_shape_fn(shape, |(r, c, k)| patch(r, c)[k] as u8);
    let warm = Array3::from_shape_fn(shape, |(r, c, k)| patch(r, c)[7 + k] as u8);
    let frames = vec![crate::synthetic::texture::frame(plain, 1.0)];
    let found = crate::synthetic::comparison::with_merge(radiance, frames, &Pixels::U8(warm), None);
    // The five neutrals under L* 92, and the eighteen colours.
    for (quantity, column, patches) in [
        (Quantity::NeutralA, 11, 19..24),
        (Quantity::NeutralB, 12, 19..24),
        (Quantity::NeutralDifference, 10, 19..24),
        (Quantity::ColourDifference, 10, 0..18),
    ] {
        let of = &rows[patches];
        let expected = of.iter().map(|row| row[column]).sum::<f64>() / of.len() as f64;
        let got = found
            .comparison
            .quantity(quantity)
            .unwrap()
            .camera_hdr
            .unwrap()
            .value;
        assert!(
            (got - expected).abs() < 2e-3,
            "{quantity:?}: {got}, {expected}"
        );
    }
}
