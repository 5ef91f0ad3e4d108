//! Homographies, interpolation and shifts against scikit-image's (geometry/make.py and geometry/shifts.py made the tables,
//! requirements.txt says with which versions).
use crate::synthetic::texture::frame;
use ndarray::{Array2, Array3};
use std::path::{Path, PathBuf};
use stopspan_align::register;
use stopspan_core::model::Bracket;
use stopspan_core::model::Homography;
use stopspan_core::raster::{Interpolation, Point, Quad, sample};

fn file(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/geometry");
    folder.join(name)
}

fn numbers(name: &str, rows: usize) -> Vec<Vec<f64>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/geometry");
    let mut reader = csv::Reader::from_path(folder.join(name)).unwrap();
    let parse = |r: csv::StringRecord| r.iter().map(|f| f.parse().unwrap()).collect();
    let found: Vec<Vec<f64>> = reader.records().map(|r| parse(r.unwrap())).collect();
    assert_eq!(found.len(), rows, "{name}");
    found
}

fn point(pair: &[f64]) -> Point {
    Point {
        x: pair[0],
        y: pair[1],
    }
}

fn quad(eight: &[f64]) -> Quad {
    [0, 2, 4, 6].map(|i| point(&eight[i..i + 2]))
}

/// To a millionth of a pixel, the map through four points and the fit to the same four.
#[test]
fn homographies_agree() {
    for (index, row) in numbers("homographies.csv", 100).iter().enumerate() {
        let (from, to) = (quad(&row[..8]), quad(&row[8..16]));
        let (at, expected) = (point(&row[16..18]), point(&row[18..20]));
        for map in [
            Homography::between(&from, &to).unwrap(),
            Homography::fitted(&from, &to).unwrap(),
        ] {
            let got = map.map(at);
            let apart = (got.x - expected.x).hypot(got.y - expected.y);
            assert!(apart < 1e-6, "row {index}: {got:?}, {expected:?}");
            let back = map.inverse().unwrap().map(expected);
            assert!((back.x - at.x).hypot(back.y - at.y) < 1e-6, "row {index}");
        }
    }
}

/// scikit-image interpolates in double precision, with the same cubic (Keys 1981, a = -1/2); ours is in single. Its pixel
/// centres lie at whole numbers, ours half a pixel on.
#[test]
fn interpolation_agrees() {
    let plane = numbers("plane.csv", 16);
    let plane = Array2::from_shape_fn((16, 20), |(r, c)| plane[r][c] as f32);
    let samples = numbers("samples.csv", 140);
    for (index, row) in samples.iter().enumerate() {
        let at = Point {
            x: row[0] + 0.5,
            y: row[1] + 0.5,
        };
        for (kind, expected) in [
            (Interpolation::Linear, row[2]),
            (Interpolation::Cubic, row[3]),
        ] {
            let got = f64::from(sample(plane.view(), at, kind).unwrap().value);
            assert!(
                (got - expected).abs() < 2e-6,
                "row {index}, {kind:?}: {got}, {expected}"
            );
        }
    }
}

/// A part of a frame shifted by parts of a pixel and made lighter by a curve: registered to a twentieth of a pixel of what was
/// done to it and of what scikit-image's phase correlation says.
#[test]
fn shifts_agree() {
    let read = |name: &str| {
        let picture = image::open(file(name)).unwrap().to_luma8();
        let (columns, rows) = picture.dimensions();
        Array3::from_shape_fn((rows as usize, columns as usize, 3), |(r, c, _)| {
            picture.get_pixel(c as u32, r as u32)[0]
        })
    };
    let mut reader = csv::Reader::from_path(file("shifts.csv")).unwrap();
    let mut count = 0;
    for row in reader.records() {
        let row = row.unwrap();
        let n: Vec<f64> = row.iter().skip(1).map(|v| v.parse().unwrap()).collect();
        let pair = Bracket {
            name: "pair".into(),
            frames: vec![
                frame(read("shift_reference.png"), 1.0),
                frame(read(&row[0]), 1.0),
            ],
            reference: 0,
            camera_hdr: None,
            findings: Vec::new(),
        };
        let found = register(&pair).placements.pop().unwrap();
        assert!(found.found, "{row:?}");
        let middle = Point { x: 128.0, y: 96.0 };
        let at = found.transform.apply(middle).unwrap();
        for expected in [(n[0], n[1]), (n[2], n[3])] {
            let off = (at.x - middle.x - expected.0).hypot(at.y - middle.y - expected.1);
            assert!(
                off < 0.05,
                "{row:?}: {} {}",
                at.x - middle.x,
                at.y - middle.y
            );
        }
        count += 1;
    }
    assert_eq!(count, 3);
}
