//! OpenEXR maps in every compression, by the format's own library (openexr/make.py): read, or refused by name.
use std::path::PathBuf;
use stopspan_core::model::Limits;
use stopspan_core::raster::Pixels;
use stopspan_formats::read_picture;

fn file(name: &str) -> PathBuf {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/reference/openexr");
    folder.join(format!("{name}.exr"))
}

/// The largest relative error each may have: none, 2^-16 of PXR24, or what a lossy scheme's own library leaves too (B44
/// works on HALF alone, so a FLOAT map passes it whole).
#[test]
fn every_compression_is_read() {
    let rows = [
        ("no", 0.0),
        ("rle", 0.0),
        ("zips", 0.0),
        ("zip", 0.0),
        ("piz", 0.0),
        ("pxr24", 1.6e-5),
        ("b44", 0.0),
        ("b44a", 0.0),
        ("dwaa", 0.02),
        ("dwab", 0.02),
    ];
    assert_eq!(rows.len(), 10);
    for (name, limit) in rows {
        let picture = read_picture(&file(name), &Limits::default());
        let Pixels::F32(light) = picture.unwrap_or_else(|e| panic!("{name}: {e}")).pixels else {
            panic!("{name}: not float")
        };
        assert_eq!(light.dim(), (24, 40, 3), "{name}");
        for ((r, c, k), found) in light.indexed_iter() {
            let stops = 0.1 * c as f64 - 0.05 * r as f64 + 0.2 * k as f64 - 2.0;
            let error = (f64::from(*found) / f64::from(stops.exp2() as f32) - 1.0).abs();
            assert!(error <= limit + 1.2e-7, "{name} {r} {c} {k}: {error}");
        }
    }
}

#[test]
fn compressions_of_later_libraries_are_refused() {
    for (name, called) in [("htj2k32", "HTJ2K"), ("zstd", "Zstandard")] {
        let problem = read_picture(&file(name), &Limits::default())
            .unwrap_err()
            .to_string();
        assert!(problem.contains(&format!("{name}.exr")), "{problem}");
        assert!(
            problem.contains(&format!("{called} compression")),
            "{problem}"
        );
    }
}
