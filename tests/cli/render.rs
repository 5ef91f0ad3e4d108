//! Pictures from maps, and a wedge measured on one: every ending, maps that are hardly pictures, requests that make no sense.
use super::program::program;
use ndarray::Array3;
use std::path::{Path, PathBuf};
use stopspan_core::model::{Limits, profile_primaries};
use stopspan_core::model::{Planes, RadianceMap};
use stopspan_core::units::Primaries;
use stopspan_formats::map_file::{MapStorage, Strips, write_exr};
use stopspan_formats::open;
use stopspan_formats::staged::Outputs;
use stopspan_formats::{read_header, read_picture, rgbe};
use stopspan_tone::{ToneSettings, render_bright};

fn write(path: &Path, radiance: Array3<f32>) {
    let map = RadianceMap::of_radiance(radiance, Primaries::SRGB);
    let (policy, how) = (Outputs::default(), MapStorage::default());
    let strips = Strips {
        shape: map.radiance.dim(),
        rows: |rows| Planes::of_rows(&map, rows),
    };
    write_exr(path, &policy, &how, &strips).unwrap();
}

/// A row of `steps` grey patches 0.15 density apart, with a little noise, on mid grey.
fn wedge(steps: usize) -> Array3<f32> {
    let mut state = 5u32;
    Array3::from_shape_fn((200, 40 * steps + 80, 3), |(r, c, _)| {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let noise = (state >> 8) as f32 / (1 << 24) as f32 - 0.5;
        let inside = (60..140).contains(&r) && (40..40 * steps + 40).contains(&c);
        let step = if inside { (c - 40) / 40 } else { 5 };
        10f32.powf(-0.15 * step as f32) * (1.0 + 0.02 * noise)
    })
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

#[test]
fn every_ending_gives_its_file() {
    let scratch = tempfile::tempdir().unwrap();
    let at = |name: &str| -> PathBuf { scratch.path().join(name) };
    let map = at("map.exr");
    write(&map, wedge(6));
    let (jpg, png, tif) = (at("a.jpg"), at("a.png"), at("a.tif"));
    let outs = [
        "--out",
        text(&jpg),
        "--out",
        text(&png),
        "--out",
        text(&tif),
    ];
    let arguments = [
        &["render", text(&map), "--output-colour", "display-p3"],
        &outs[..],
    ]
    .concat();
    program(&arguments).expect(0);
    let sixteen = read_picture(&png, &Limits::default()).unwrap();
    assert_eq!(sixteen.pixels.bits(), 16);
    assert_eq!(
        sixteen.pixels,
        read_picture(&tif, &Limits::default()).unwrap().pixels
    );
    for path in [&jpg, &png, &tif] {
        let header = read_header(path, &Limits::default()).unwrap();
        let profile = header.icc_profile.unwrap();
        assert_eq!(
            profile_primaries(&profile),
            Ok(Some(Primaries::DISPLAY_P3)),
            "{path:?}"
        );
    }
    program(&arguments).expect(1); // what is there stays
    let (bright, pq) = (at("b.jpg"), at("b.png"));
    program(&[
        "render",
        text(&map),
        "--bright",
        "--out",
        text(&bright),
        "--out",
        text(&pq),
    ])
    .expect(0);
    let back = open(&bright, &Limits::default()).unwrap().map;
    assert_eq!(back.radiance.dim(), (200, 320, 3));
    // and a picture from what was read back
    program(&["render", text(&bright), "--out", text(&at("c.jpg"))]).expect(0);
}

#[test]
fn maps_that_are_hardly_pictures_give_a_picture() {
    let scratch = tempfile::tempdir().unwrap();
    let wild = [1e38, -1e38, -1.0, 0.0, 1e30, 1e-40, 0.3, -1e-40];
    let maps = [
        ("zeros", Array3::zeros((20, 30, 3))),
        ("one", Array3::from_elem((1, 1, 3), 0.2)),
        (
            "line",
            Array3::from_shape_fn((1, 100_000, 3), |(_, c, _)| c as f32 * 1e-5),
        ),
        (
            "column",
            Array3::from_shape_fn((30_000, 1, 1), |(r, ..)| r as f32 * 1e-5),
        ),
        (
            "wild",
            Array3::from_shape_fn((16, 24, 3), |(r, c, k)| wild[(r * 5 + c * 3 + k) % 8]),
        ),
    ];
    for (name, radiance) in maps {
        let map = scratch.path().join(format!("{name}.exr"));
        write(&map, radiance.clone());
        for (bright, operator) in [
            (false, "default-look"),
            (true, "default-look"),
            (true, "logarithmic"),
        ] {
            let out = scratch.path().join(format!("{name}{bright}{operator}.png"));
            let mut arguments = vec![
                "render",
                text(&map),
                "--out",
                text(&out),
                "--tone",
                operator,
            ];
            arguments.extend(bright.then_some("--bright"));
            program(&arguments).expect(0);
            let picture = read_picture(&out, &Limits::default()).unwrap();
            let (rows, columns, _) = radiance.dim();
            assert_eq!(picture.pixels.dim(), (rows, columns, 3), "{name}");
        }
    }
    // JPEG cannot hold a side beyond 65535
    let out = scratch.path().join("line.jpg");
    let line = scratch.path().join("line.exr");
    let done = program(&["render", text(&line), "--out", text(&out)]).expect(1);
    assert!(
        done.err.contains("line.jpg") && !out.exists(),
        "{}",
        done.err
    );
}

#[test]
fn requests_that_make_no_sense_are_refused() {
    let scratch = tempfile::tempdir().unwrap();
    let map = scratch.path().join("map.exr");
    write(&map, wedge(6));
    let out = scratch.path().join("a.png");
    for wrong in [
        &["--tone", "exposure-fusion"][..],
        &["--tone-shadows", "7"],
        &["--tone-exposure", "NaN"],
        &["--peak", "100"],
        &["--jpeg-quality", "0"],
    ] {
        let arguments = [&["render", text(&map), "--out", text(&out)], wrong].concat();
        let done = program(&arguments).expect(2);
        assert!(done.err.contains(wrong[0]), "{}", done.err);
    }
    let odd = scratch.path().join("a.gif");
    program(&["render", text(&map), "--out", text(&odd)]).expect(1);
    let plain = scratch.path().join("plain.jpg");
    program(&["render", text(&map), "--out", text(&plain)]).expect(0);
    let done = program(&["render", text(&plain), "--out", text(&out)]).expect(1);
    assert!(done.err.contains("no radiance"), "{}", done.err);
    assert!(!out.exists());
}

/// Radiance RGBE and gain-map files are maps like any other; and the PQ codes in a file, read by another library, are those of
/// the rendering.
#[test]
fn every_kind_of_map_is_rendered_and_measured() {
    let scratch = tempfile::tempdir().unwrap();
    let at = |name: &str| scratch.path().join(name);
    let radiance = wedge(12);
    let mut bytes = Vec::new();
    rgbe::write(&mut bytes, radiance.view(), "test", None).unwrap();
    std::fs::write(at("map.hdr"), bytes).unwrap();
    let (hdr, gain) = (at("map.hdr"), at("gain.jpg"));
    program(&[
        "render",
        text(&hdr),
        "--bright",
        "--out",
        text(&gain),
        "--out",
        text(&at("pq.png")),
    ])
    .expect(0);

    let map = open(&hdr, &Limits::default()).unwrap().map;
    let wanted = render_bright(&map, &ToneSettings::default(), 1000.0);
    let read = image::open(at("pq.png")).unwrap().into_rgb16();
    assert!(read.into_raw().iter().eq(wanted.codes.iter()));

    let corners = "40,60,520,60,520,140,40,140";
    for (map, least) in [(&hdr, 12), (&gain, 8)] {
        let asked = [
            "measure",
            text(map),
            "--wedge-corners",
            corners,
            "--wedge-grid",
            "1x12",
        ];
        let done = program(&asked).expect(0);
        let told = (least..=12).any(|n| done.out.contains(&format!("resolves {n} of 12 steps")));
        assert!(told, "{map:?}: {}", done.out);
    }
}

#[test]
fn a_wedge_is_measured_on_a_map() {
    let scratch = tempfile::tempdir().unwrap();
    let (map, out) = (
        scratch.path().join("map.exr"),
        scratch.path().join("m.json"),
    );
    write(&map, wedge(12));
    let corners = "40,60,520,60,520,140,40,140";
    let done = program(&[
        "measure",
        text(&map),
        "--wedge-corners",
        corners,
        "--wedge-grid",
        "1x12",
        "--out",
        text(&out),
    ])
    .expect(0);
    assert!(done.out.contains("resolves 12 of 12 steps"), "{}", done.out);
    let json: serde_json::Value = serde_json::from_slice(&std::fs::read(&out).unwrap()).unwrap();
    assert_eq!(json["picture"]["levels"]["noise"], 12);
    let step = |k: usize| json["picture"]["patches"][k]["linear"].as_f64().unwrap();
    assert!(((step(0) / step(11)).log10() - 1.65).abs() < 0.002);
}

/// A rendering and a measurement treat samples that are no numbers alike.
#[test]
fn maps_with_samples_that_are_not_finite_are_refused_by_name() {
    let scratch = tempfile::tempdir().unwrap();
    for (name, value) in [
        ("nan", f32::NAN),
        ("infinity", f32::INFINITY),
        ("minus-infinity", f32::NEG_INFINITY),
    ] {
        let map = scratch.path().join(format!("{name}.exr"));
        let mut radiance = wedge(6);
        radiance[[7, 9, 1]] = value;
        write(&map, radiance);
        let out = scratch.path().join(format!("{name}.png"));
        for arguments in [
            &["render", text(&map), "--out", text(&out)][..],
            &["measure", text(&map)],
        ] {
            let done = program(arguments).expect(1);
            for words in [name, "not finite"] {
                assert!(done.err.contains(words), "{}", done.err);
            }
        }
        assert!(!out.exists());
    }
}
