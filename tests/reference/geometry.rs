//! Homographies and interpolation against scikit-image's (geometry/make.py made the tables, requirements.txt says with which
//! versions).
use ndarray::Array2;
use std::path::Path;
use stopspan::measure::Homography;
use stopspan::raster::{Interpolation, Point, Quad, sample};

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
