//! A wedge that is stated wrong to `measure`: order and densities that the picture contradicts. The sample's README states what is
//! true: 21 steps from light to dark, 0.15 D apart.
use super::program::program;
use std::path::{Path, PathBuf};

const CORNERS: &str = "128.734,973.794,1472.634,990.214,1471.266,1102.206,127.366,1085.786";
/// Words of the doubt about the order.
const ORDER: &str = "get lighter where they should get darker";
/// Words of the doubt about the densities.
const DENSITIES: &str = "Stated and measured densities differ";

fn sample(name: &str) -> PathBuf {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    root.join("samples/bench").join(name)
}

/// Words of the doubt about the number of patches.
const NUMBER: &str = "pairs of neighbouring patches have the same level";

/// What is said, in one line, where the wedge is stated by these options.
fn said(picture: &Path, stated: &[&str]) -> String {
    let always = [
        "measure",
        picture.to_str().unwrap(),
        "--wedge-corners",
        CORNERS,
        "--wedge-grid",
        "1x21",
    ];
    let done = program(&[&always[..], stated].concat()).expect(0);
    done.out.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn check(picture: &Path) {
    for (stated, order, densities) in [
        (&[][..], false, false),
        (&["--wedge-densities", "0.05:0.15"], false, false),
        (&["--wedge-dark-first"], true, false),
        (&["--wedge-densities", "0.05:0.4"], false, true),
        (&["--wedge-densities", "0.05:0.05"], false, true),
    ] {
        let said = said(picture, stated);
        assert_eq!(said.contains(ORDER), order, "{stated:?}: {said}");
        assert_eq!(said.contains(DENSITIES), densities, "{stated:?}: {said}");
    }
}

#[test]
fn a_finished_picture_contradicts_what_is_stated() {
    check(&sample("bench_nominal.jpg"));
}

#[test]
fn a_map_contradicts_what_is_stated() {
    let scratch = tempfile::tempdir().unwrap();
    let map = scratch.path().join("map.exr");
    let frames = ["half", "nominal", "double"].map(|n| sample(&format!("bench_{n}.jpg")));
    let mut arguments = vec!["merge", "--out", map.to_str().unwrap()];
    arguments.extend(frames.iter().map(|f| f.to_str().unwrap()));
    program(&arguments).expect(0);
    check(&map);
}

/// Twenty patches stated on a wedge of ten: every step counts twice.
#[test]
fn more_patches_than_steps_are_noticed() {
    let scratch = tempfile::tempdir().unwrap();
    let picture = scratch.path().join("ten.png");
    let mut state = 5u32;
    let drawn = image::GrayImage::from_fn(1080, 240, |column, row| {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let noise = f64::from(state >> 8) / f64::from(1 << 24) - 0.5;
        let inside = (80..160).contains(&row) && (40..1040).contains(&column);
        let step = if inside { (column - 40) / 100 } else { 4 };
        let light = 0.9 * 10f64.powf(-0.15 * f64::from(step)) * (1.0 + 0.04 * noise);
        image::Luma([(255.0 * crate::published::srgb::to_level(light)).round() as u8])
    });
    drawn.save(&picture).unwrap();
    for (grid, doubted) in [("1x10", false), ("1x20", true)] {
        let done = program(&[
            "measure",
            picture.to_str().unwrap(),
            "--wedge-corners",
            "40,80,1040,80,1040,160,40,160",
            "--wedge-grid",
            grid,
        ]);
        let said = done.expect(0).out;
        let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
        assert_eq!(said.contains(NUMBER), doubted, "{grid}: {said}");
        assert!(!said.contains(ORDER), "{grid}: {said}");
    }
}
