//! Pairs of frames whose motion is known: where registration puts them, beside OpenCV's phase correlation and ECC on the same
//! pairs and beside the bound that their noise sets (registration/make.py made pairs and table).
use crate::synthetic::texture::frame;
use ndarray::Array3;
use std::path::Path;
use stopspan_align::register;
use stopspan_core::model::{Bracket, Frame};
use stopspan_core::raster::{Point, Transform};

fn read(name: &str, exposure: f64) -> Frame {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/registration");
    let codes = image::open(folder.join(name)).unwrap().to_rgb8();
    let (columns, rows) = codes.dimensions();
    let shape = (rows as usize, columns as usize, 3);
    frame(
        Array3::from_shape_vec(shape, codes.into_raw()).unwrap(),
        exposure,
    )
}

/// Largest distance over the corners between two maps, pixels.
fn apart(a: &Transform, b: &Transform, (rows, columns): (usize, usize)) -> f64 {
    let (x, y) = (columns as f64, rows as f64);
    let corners = [(0.0, 0.0), (x, 0.0), (0.0, y), (x, y)];
    let gap = |(x, y)| {
        let (p, q) = (
            a.apply(Point { x, y }).unwrap(),
            b.apply(Point { x, y }).unwrap(),
        );
        (p.x - q.x).hypot(p.y - q.y)
    };
    corners.into_iter().map(gap).fold(0.0, f64::max)
}

/// Without being told curve or exposures, nearer than either method that was told both.
#[test]
fn pairs_lie_nearer_than_by_phase_correlation_and_ecc() {
    let mut table = csv::Reader::from_reader(include_bytes!("registration/pairs.csv").as_slice());
    let (mut errors, mut ratios) = (Vec::new(), Vec::new());
    for (i, row) in table.records().enumerate() {
        let row: Vec<f64> = row.unwrap().iter().map(|f| f.parse().unwrap()).collect();
        let first = read(&format!("pair{i}_first.png"), 0.25);
        let second = read(&format!("pair{i}_second.png"), 0.25 * row[3].exp2());
        let (rows, columns, _) = first.picture.pixels.dim();
        let centre = Point {
            x: columns as f64 / 2.0,
            y: rows as f64 / 2.0,
        };
        let truth = Transform::turn(centre, row[2], row[0], row[1]);
        let found = register(&Bracket::new("pair", vec![first, second], 0));
        let placement = &found.placements[1];
        let error = apart(&placement.transform, &truth, (rows, columns));
        println!(
            "{:5.1} {:5.1} px {:4.1} degrees {:+.0} EV: {error:.4} px ({:?}, bound {:.4}, stated {:.4}); phase correlation {:.4}, ECC {:.4}",
            row[0],
            row[1],
            row[2],
            row[3],
            placement.model,
            row[7],
            placement.standard_uncertainty,
            row[4],
            row[5]
        );
        let best = row[4].min(row[5]).min(row[6]);
        assert!(placement.found && error < best, "{i}: {error}");
        errors.push(error);
        ratios.push(error / row[7]);
    }
    assert_eq!(errors.len(), 8);
    println!("errors over the bound: {ratios:.2?}");
    // d pixels off at an edge that rises by a factor of e^s a pixel put s d of the light astray: 1 % at half an e-fold.
    errors.sort_by(f64::total_cmp);
    assert!(errors[4] <= 0.02, "{errors:?}");
}
