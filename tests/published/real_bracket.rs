//! A real, still bracket of linear frames: doubling the exposure time doubles the level.
//!
//! The frames (8-bit linear Bayer mosaics, demonstration data of bllanos/chromatic-aberration, Boost licence) are not part
//! of the project. The folder that holds `real_bracket_disks` is taken from STOPSPAN_OUTSIDE_DATA, or is `../shared/data`
//! beside the project; without it these tests say so and check nothing.
use std::io::Write;
use std::path::{Path, PathBuf};
use stopspan::formats::{Limits, read_picture};
use stopspan::statistics::robust::median;

/// The folder of the frames, or `None` with the reason printed past the test harness's capture.
pub fn folder() -> Option<PathBuf> {
    let beside = || Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/data");
    let data = std::env::var_os("STOPSPAN_OUTSIDE_DATA").map_or_else(beside, PathBuf::from);
    let folder = data.join("real_bracket_disks");
    if folder.is_dir() {
        return Some(folder);
    }
    let reason = format!(
        "SKIPPED real_bracket: {} is not there (set STOPSPAN_OUTSIDE_DATA)",
        folder.display()
    );
    writeln!(std::io::stderr(), "{reason}").unwrap();
    None
}

/// Codes of one frame.
fn codes(folder: &Path, milliseconds: u32) -> Vec<f64> {
    let file = folder.join(format!("exposure_{milliseconds}ms.tif"));
    let picture = read_picture(&file, &Limits::default()).unwrap();
    assert_eq!(picture.pixels.dim(), (344, 408, 1));
    let (rows, columns, _) = picture.pixels.dim();
    let at = |i: usize| f64::from(picture.pixels.level(i / columns, i % columns, 0)) * 255.0;
    (0..rows * columns).map(at).collect()
}

/// (time, doubled time, lowest level, level above the highest, tolerance of the median in codes).
///
/// Below level 10 the black offset, cut at 0, spoils the ratio. The camera itself bends: towards the top the doubled level
/// falls short by 2 to 3 %, and from 250 to 500 ms already from level 20 (medians -2 to -5 codes, measured with numpy
/// 2.4.6), so the tolerance grows with the doubled level there.
const DOUBLINGS: [(u32, u32, f64, f64, f64); 7] = [
    (25, 50, 10.0, 20.0, 1.0),
    (25, 50, 20.0, 40.0, 1.0),
    (25, 50, 40.0, 100.0, 1.0),
    (50, 100, 10.0, 20.0, 1.0),
    (50, 100, 20.0, 60.0, 1.0),
    (250, 500, 10.0, 20.0, 1.0),
    (250, 500, 20.0, 100.0, 3.0),
];

#[test]
fn twice_the_time_is_twice_the_level() {
    let Some(folder) = folder() else { return };
    for (short, long, low, high, tolerance) in DOUBLINGS {
        let (first, second) = (codes(&folder, short), codes(&folder, long));
        let excess: Vec<f64> = first
            .iter()
            .zip(&second)
            .filter(|(a, _)| (low..high).contains(*a))
            .map(|(a, b)| (b - 2.0 * a).round())
            .collect();
        assert!(excess.len() > 400, "{short} ms: {} pixels", excess.len());
        let found = median(&excess).unwrap();
        assert!(
            found.abs() <= tolerance,
            "{short} -> {long} ms, levels {low}..{high}: median {found} codes"
        );
    }
}
