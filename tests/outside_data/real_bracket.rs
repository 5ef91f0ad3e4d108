//! A real, still bracket of linear frames: doubling the exposure time doubles the level.
//!
//! The frames: 8-bit linear Bayer mosaics, demonstration data of bllanos/chromatic-aberration, Boost licence.
use super::file;
use std::path::{Path, PathBuf};
use stopspan_core::model::Bracket;
use stopspan_core::model::Limits;
use stopspan_core::statistics::robust::median;
use stopspan_formats::read_picture;
use stopspan_frames::{ExposureOverride, Overrides, clip_levels, load, survey};
use stopspan_response::{ResponseRequest, recover};

/// The folder of the frames.
pub fn folder() -> PathBuf {
    file("real_bracket_disks")
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
#[ignore = "needs outside data: real_bracket_disks"]
fn twice_the_time_is_twice_the_level() {
    let folder = folder();
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

/// One position of the 2 x 2 mosaic of some frames, as a bracket with the times that their names state.
pub fn one_position(folder: &Path, milliseconds: &[u32], (row, column): (usize, usize)) -> Bracket {
    let scratch = tempfile::tempdir().unwrap();
    let mut overrides = Overrides {
        one_bracket: true,
        ..Overrides::default()
    };
    let mut files = Vec::new();
    for &ms in milliseconds {
        let whole = codes(folder, ms);
        let at = |i: usize| whole[(2 * (i / 204) + row) * 408 + 2 * (i % 204) + column] as u8;
        let plane: Vec<u8> = (0..172 * 204).map(at).collect();
        let file = scratch.path().join(format!("{ms}.png"));
        image::save_buffer(&file, &plane, 204, 172, image::ColorType::L8).unwrap();
        let said = format!("{ms}.png={}", f64::from(ms) / 1000.0);
        overrides
            .exposures
            .push(ExposureOverride::parse(&said).unwrap());
        files.push(file);
    }
    let found = survey(&files, &overrides).unwrap();
    assert_eq!(found.brackets.len(), 1);
    load(&found.brackets[0], &overrides).unwrap()
}

/// (times, position in the mosaic, slope through the origin by numpy 2.4.6 over all pixels of levels above 8 and below 245):
/// pairs that share well exposed pixels there.
const PAIRS: [([u32; 2], (usize, usize), f64); 5] = [
    ([25, 50], (0, 0), 1.9630),
    ([25, 50], (1, 1), 1.9630),
    ([50, 100], (0, 1), 2.0712),
    ([250, 500], (0, 1), 1.9470),
    ([250, 500], (1, 0), 1.9128),
];

/// The ratios that the library measures on frames declared linear are within 1 % of what numpy finds on the same pixels, and
/// of the times within 0.08 stop. Not nearer: numpy's own slopes are up to 0.065 stop from 2. That is the camera's bend, see
/// [`DOUBLINGS`]; from 50 to 100 ms most levels lie near 10, where the cut black offset adds its share.
#[test]
#[ignore = "needs outside data: real_bracket_disks"]
fn measured_ratios_are_those_of_the_times() {
    let folder = folder();
    for (times, position, slope) in PAIRS {
        let bracket = one_position(&folder, &times, position);
        let recovered = recover(
            &bracket,
            &clip_levels(&bracket),
            None,
            ResponseRequest::Linear,
        )
        .unwrap();
        assert_eq!(recovered.check.pairs.len(), 1);
        let pair = &recovered.check.pairs[0];
        let measured = pair.measured.unwrap();
        let difference = measured.value - pair.stated.value;
        let against = measured.value.exp2() / slope;
        println!(
            "{times:?} {position:?}: {measured:?}, {difference:+.4} stop, {against:.4} x numpy's"
        );
        assert!((against - 1.0).abs() < 0.01, "{times:?}: {against}");
        assert!((pair.stated.value - 1.0).abs() < 1e-9);
        assert!(
            difference.abs() < 0.08,
            "{times:?} {position:?}: {difference}"
        );
    }
}
