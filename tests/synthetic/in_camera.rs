//! The whole program on a simulated camera whose own HDR picture has a known curve, blur and ghost, as large as the frames, and as
//! a smaller crop: all must come back from the report.
use super::comparison::{SIGMA, SIZE, curve, textured};
use crate::published::srgb::to_level;
use base64::Engine;
use image::{Rgb, RgbImage};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use std::path::Path;
use std::process::Command;
use stopspan_core::results::Report;
use stopspan_core::results::{Comparison, Quantity};

/// The textured scene with a slanted patch in its lower half; a place is in pixels of the reference frame.
fn light(y: f64, x: f64, sigma: f64) -> f64 {
    if !(250.0..450.0).contains(&y) || !(160.0..460.0).contains(&x) {
        return textured(y - 0.5, x - 0.5, sigma);
    }
    let (s, c) = 5f64.to_radians().sin_cos();
    let distance = (x - 310.0) * c - (y - 350.0) * s;
    0.05 + 0.15 * 0.5 * (1.0 + libm::erf(distance / (sigma * 2f64.sqrt())))
}

/// Part of the reference frame that a picture shows: its pixel (row, column) shows the reference's pixels at
/// `origin + (row, column) / scale`.
struct View {
    /// Rows and columns of the picture.
    size: (usize, usize),
    scale: f64,
    /// Row and column of its corner in the reference frame.
    origin: (f64, f64),
}

/// The whole reference frame.
const WHOLE: View = View {
    size: SIZE,
    scale: 1.0,
    origin: (0.0, 0.0),
};

/// Writes a picture of a view with noise; `level` gives its levels by row and column of the reference frame.
fn write(file: &Path, view: &View, level: &dyn Fn(f64, f64) -> f64, seed: u64) {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let noise = Normal::new(0.0, 0.7).unwrap();
    let (rows, columns) = view.size;
    let mut picture = RgbImage::new(columns as u32, rows as u32);
    for (c, r, pixel) in picture.enumerate_pixels_mut() {
        let place = |i: u32, from: f64| from + (f64::from(i) + 0.5) / view.scale;
        let value = 255.0 * level(place(r, view.origin.0), place(c, view.origin.1));
        let code = |v: f64| v.round().clamp(0.0, 255.0) as u8;
        *pixel = Rgb([0; 3].map(|_: u8| code(value + noise.sample(&mut random))));
    }
    picture.save(file).unwrap();
}

/// A disc that only the longest frame saw, of which the camera mixed half into its picture: row, column, radius, light.
const DISC: (f64, f64, f64) = (185.0, 545.0, 42.0);
const DISC_LIGHT: f64 = 0.02;

fn in_disc(y: f64, x: f64) -> bool {
    (y - DISC.0).hypot(x - DISC.1) < DISC.2
}

/// How the camera made its picture.
struct Own {
    view: View,
    /// True if a ghost is in it.
    ghost: bool,
    /// Displacement of a second exposure, rows and columns, of which four tenths are mixed in.
    shake: Option<(f64, f64)>,
}

const AS_LARGE: Own = Own {
    view: WHOLE,
    ghost: false,
    shake: None,
};
/// Nine tenths of the frame, 0.8 times as large.
const CROP: Own = Own {
    view: View {
        size: (346, 460),
        scale: 0.8,
        origin: (20.0, 31.0),
    },
    ghost: false,
    shake: None,
};

/// Writes frames at half, one and twice the light and the camera's own picture.
fn write_all(folder: &Path, own: &Own) {
    for (i, factor) in [0.5, 1.0, 2.0].into_iter().enumerate() {
        let level = |y: f64, x: f64| {
            let moved = own.ghost && i == 2 && in_disc(y, x);
            let seen = if moved {
                DISC_LIGHT
            } else {
                light(y, x, SIGMA.1)
            };
            to_level((factor * seen).min(1.0))
        };
        let file = folder.join(format!("frame_{i}.png"));
        write(&file, &WHOLE, &level, i as u64);
    }
    let level = |y: f64, x: f64| {
        let plain = curve(light(y, x, SIGMA.0));
        match own.shake {
            _ if own.ghost && in_disc(y, x) => 0.5 * plain + 0.5 * curve(DISC_LIGHT),
            Some((dy, dx)) => 0.6 * plain + 0.4 * curve(light(y - dy, x - dx, SIGMA.0)),
            None => plain,
        }
    };
    write(&folder.join("own.png"), &own.view, &level, 9);
}

/// The comparison that the program writes, and its page.
fn compared(own: &Own) -> (Comparison, String) {
    let scratch = tempfile::tempdir().unwrap();
    let folder = scratch.path().join("in");
    std::fs::create_dir(&folder).unwrap();
    write_all(&folder, own);
    let out = scratch.path().join("out");
    let run = Command::new(env!("CARGO_BIN_EXE_stopspan"))
        .args(["run", "--no-wedge", "--sheet-look", "none"])
        .args(["--response", "srgb"])
        .args(["--exposure", "frame_0.png=1/200"])
        .args(["--exposure", "frame_1.png=1/100"])
        .args(["--exposure", "frame_2.png=1/50"])
        .arg("--camera-hdr")
        .arg(folder.join("own.png"))
        .arg("--out")
        .arg(&out)
        .arg(&folder)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&run.stderr);
    assert!(run.status.success(), "{said}");
    let text = std::fs::read_to_string(out.join("report.json")).unwrap();
    let report: Report = serde_json::from_str(&text).unwrap();
    let bracket = report.brackets.into_iter().next().unwrap();
    let comparison = bracket
        .comparison
        .unwrap_or_else(|| panic!("{:?}", bracket.findings));
    let page = std::fs::read_to_string(out.join("report.html")).unwrap();
    (comparison, page)
}

/// A Gaussian edge of sigma pixels has MTF50 at 0.1874 / sigma; levels are to be within 0.02 of the curve's, and lie within
/// 0.003.
fn holds(found: &Comparison) {
    let detail = found.quantity(Quantity::Mtf50).unwrap();
    for (value, sigma) in [
        (detail.camera_hdr.unwrap().value, SIGMA.0),
        (detail.merge.unwrap().value, SIGMA.1),
    ] {
        let expected = 0.1874 / sigma;
        assert!((value / expected - 1.0).abs() < 0.02, "{value}, {expected}");
    }
    // The map's radiance is in units of the reference frame's clip exposure, here that of level 1.
    let tone = found.tone.as_ref().unwrap();
    assert!(tone.knots.len() > 20);
    for knot in &tone.knots {
        let expected = curve(knot.stops.exp2());
        assert!((knot.level - expected).abs() < 0.003, "{knot:?} {expected}");
    }
}

#[test]
fn blur_and_curve_come_back_through_the_whole_program() {
    let (found, _) = compared(&AS_LARGE);
    holds(&found);
    assert!((found.scale - 1.0).abs() < 1e-4 && !found.resampled);
    assert!(found.ghosts.places.is_empty(), "{:?}", found.ghosts);
    let doubled = found.double_edges.unwrap();
    assert!(
        doubled.judged >= 4 && doubled.second.is_none(),
        "{doubled:?}"
    );
}

/// An exposure that was not laid on the others shows as a second image, as far off as the camera moved.
#[test]
fn shake_comes_back_through_the_whole_program() {
    let own = Own {
        shake: Some((-3.0, 4.0)),
        ..AS_LARGE
    };
    let (found, page) = compared(&own);
    let doubled = found.double_edges.unwrap();
    let second = doubled
        .second
        .as_ref()
        .unwrap_or_else(|| panic!("{}", doubled.judged));
    let off = (second.shift.x - 4.0).hypot(second.shift.y + 3.0);
    assert!(off < 0.3, "{second:?}");
    assert!(
        (second.strength.value - 4.0 / 6.0).abs() < 0.1,
        "{second:?}"
    );
    assert!(2 * second.places > doubled.judged, "{doubled:?}");
    assert!(page.contains("shows a faint double image, 5.0 px apart"));
}

/// The page's picture of ghosts, decoded by another library's reader.
fn marked(page: &str) -> RgbImage {
    let from = page.find("<h3>Ghosts in the camera's HDR</h3>").unwrap();
    let start = from + page[from..].find(";base64,").unwrap() + 8;
    let end = start + page[start..].find('"').unwrap();
    let bytes = base64::engine::general_purpose::STANDARD
        .decode(&page[start..end])
        .unwrap();
    image::load_from_memory(&bytes).unwrap().to_rgb8()
}

/// The ghost's area is read from the picture that the page shows; blur and curve come back beside it.
#[test]
fn a_ghost_comes_back_through_the_whole_program() {
    let own = Own {
        ghost: true,
        ..AS_LARGE
    };
    let (found, page) = compared(&own);
    holds(&found);
    let picture = marked(&page);
    assert_eq!(picture.dimensions(), (SIZE.1 as u32, SIZE.0 as u32));
    let (mut both, mut either) = (0, 0);
    for (x, y, pixel) in picture.enumerate_pixels() {
        // Marks are magenta over grey.
        let told = i32::from(pixel[0]) - i32::from(pixel[1]) > 60;
        let there = in_disc(f64::from(y) + 0.5, f64::from(x) + 0.5);
        both += u32::from(there && told);
        either += u32::from(there || told);
    }
    let overlap = f64::from(both) / f64::from(either);
    assert!(overlap >= 0.9, "{overlap}: {:?}", found.ghosts);
    let [place] = &found.ghosts.places[..] else {
        panic!("{:?}", found.ghosts);
    };
    assert_eq!(place.frame, "frame_2.png");
    assert!((place.mixed - 0.5).abs() < 0.05, "{place:?}");
    let disc = std::f64::consts::PI * DISC.2 * DISC.2;
    assert!((place.pixels as f64 / disc - 1.0).abs() < 0.1, "{place:?}");
}

/// The crop is laid over by a similarity.
#[test]
fn blur_and_curve_come_back_from_a_smaller_crop() {
    let (found, _) = compared(&CROP);
    holds(&found);
    assert!(found.ghosts.places.is_empty(), "{:?}", found.ghosts);
    assert!((found.scale - 0.8).abs() < 0.002, "{}", found.scale);
    let at = (found.centre.x, found.centre.y);
    let expected = ((320.0 - 31.0) * 0.8, (240.0 - 20.0) * 0.8);
    assert!(
        (at.0 - expected.0).hypot(at.1 - expected.1) < 0.3,
        "{at:?} {expected:?}"
    );
}

/// A picture of something else is refused, not laid somewhere.
#[test]
fn another_scene_is_not_laid_over() {
    let elsewhere = |y: f64, x: f64| light(1000.0 + 1.7 * x, 2000.0 - 1.3 * y, 1.0);
    let scratch = tempfile::tempdir().unwrap();
    let file = |name: &str| scratch.path().join(name);
    let plain = |y: f64, x: f64| to_level(light(y, x, SIGMA.1));
    write(&file("a.png"), &WHOLE, &plain, 1);
    let other = |y: f64, x: f64| to_level(elsewhere(y, x));
    let smaller = View {
        size: (350, 460),
        scale: 0.8,
        origin: (0.0, 0.0),
    };
    write(&file("b.png"), &smaller, &other, 2);
    let read = |name: &str| {
        let picture = image::open(file(name)).unwrap().to_rgb8();
        let shape = (picture.height() as usize, picture.width() as usize, 3);
        ndarray::Array3::from_shape_vec(shape, picture.into_raw()).unwrap()
    };
    let reference = super::texture::frame(read("a.png"), 1.0);
    let found = stopspan_align::locate_at_any_scale(
        &reference,
        &stopspan_core::raster::Pixels::U8(read("b.png")),
    );
    assert!(found.is_none(), "{:?}", found.map(|f| f.transform));
}
