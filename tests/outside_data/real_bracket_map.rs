//! The real, still bracket of linear frames, level by level against numpy.
use super::real_bracket::{folder, one_position};
use stopspan_frames::clip_levels;
use stopspan_response::looks_linear;

const TIMES: [u32; 7] = [25, 50, 100, 250, 500, 2000, 3916];

/// Index of the darker frame; mean level in the brighter frame of a bin of one stop, codes; ratio of the levels over that of the
/// times; pixels. By numpy 2.4.6 (disks.py) from the mosaic's first position. Rows that are linear within 1 % lie
/// beside others that are not, up and down: the offset cut at 0 below level 10 of the darker frame, the camera's bend above.
const BY_NUMPY: [(usize, f64, f64, usize); 14] = [
    (0, 159.12, 0.9927, 484),
    (0, 92.59, 0.9966, 465),
    (0, 45.57, 1.0073, 452),
    (0, 19.79, 1.0186, 1980),
    (0, 13.70, 1.0506, 2776),
    (1, 150.01, 0.9863, 227),
    (1, 90.19, 0.9924, 463),
    (1, 39.32, 0.9984, 2030),
    (1, 27.59, 1.0142, 2718),
    (2, 148.25, 0.9756, 322),
    (2, 81.01, 0.9869, 3894),
    (2, 59.80, 1.0038, 651),
    (3, 149.40, 0.9885, 3062),
    (3, 118.94, 0.9925, 694),
];

/// The ratio of levels over that of the times is ours as numpy's. It is within 1 % of 1 in half of the bins only, so that no
/// reading of these frames keeps the stated times to 1 % at all levels.
#[test]
#[ignore = "needs outside data: real_bracket_disks"]
fn levels_keep_the_times_as_well_as_numpy_finds() {
    let folder = folder();
    let bracket = one_position(&folder, &TIMES, (0, 0));
    let found = looks_linear(&bracket, &clip_levels(&bracket)).ratios;
    for r in &found {
        println!(
            "({}, {:.2}, {:.4}, {}),",
            r.darker,
            255.0 * r.level,
            r.ratio,
            r.pixels
        );
    }
    assert_eq!(found.len(), BY_NUMPY.len());
    for (r, (darker, level, ratio, pixels)) in found.iter().zip(BY_NUMPY) {
        assert_eq!((r.darker, r.pixels), (darker, pixels));
        assert!((255.0 * r.level - level).abs() < 0.006, "{r:?}");
        assert!((r.ratio - ratio).abs() < 6e-5, "{r:?}");
    }
}
