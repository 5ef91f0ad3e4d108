//! The whole program on a simulated camera whose own HDR picture has a known curve and blur, as large as the frames, and as
//! a smaller crop: blur and curve must come back from the report.
use super::comparison::{SIGMA, SIZE, curve, textured};
use image::{Rgb, RgbImage};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use std::path::Path;
use std::process::Command;
use stopspan::measure::compare::{Comparison, Quantity};
use stopspan::report::Report;
use stopspan::units::srgb_level;

/// The textured scene with a slanted patch in its lower half; a place is in pixels of the reference frame.
fn light(y: f64, x: f64, sigma: f64) -> f64 {
    if !(250.0..450.0).contains(&y) || !(160.0..460.0).contains(&x) {
        return textured(y - 0.5, x - 0.5, sigma);
    }
    let (s, c) = 5f64.to_radians().sin_cos();
    let distance = (x - 310.0) * c - (y - 350.0) * s;
    0.05 + 0.15 * 0.5 * (1.0 + libm::erf(distance / (sigma * 2f64.sqrt())))
}

/// Writes a picture whose pixel (row, column) shows the reference's pixels at `origin + (row, column) / scale`.
fn write(
    file: &Path,
    (rows, columns): (usize, usize),
    level: &dyn Fn(f64, f64) -> f64,
    (scale, origin, seed): (f64, (f64, f64), u64),
) {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let noise = Normal::new(0.0, 0.7).unwrap();
    let mut picture = RgbImage::new(columns as u32, rows as u32);
    for (c, r, pixel) in picture.enumerate_pixels_mut() {
        let place = |i: u32, from: f64| from + (f64::from(i) + 0.5) / scale;
        let value = 255.0 * level(place(r, origin.0), place(c, origin.1));
        let code = |v: f64| v.round().clamp(0.0, 255.0) as u8;
        *pixel = Rgb([0; 3].map(|_: u8| code(value + noise.sample(&mut random))));
    }
    picture.save(file).unwrap();
}

/// The comparison that the program writes for frames at half, one and twice the light and the camera's own picture.
fn compared(size: (usize, usize), scale: f64, origin: (f64, f64)) -> Comparison {
    let scratch = tempfile::tempdir().unwrap();
    let folder = scratch.path().join("in");
    std::fs::create_dir(&folder).unwrap();
    for (i, factor) in [0.5, 1.0, 2.0].into_iter().enumerate() {
        let level = |y: f64, x: f64| srgb_level((factor * light(y, x, SIGMA.1)).min(1.0));
        let file = folder.join(format!("frame_{i}.png"));
        write(&file, SIZE, &level, (1.0, (0.0, 0.0), i as u64));
    }
    let level = |y: f64, x: f64| curve(light(y, x, SIGMA.0));
    write(&folder.join("own.png"), size, &level, (scale, origin, 9));
    let out = scratch.path().join("out");
    let run = Command::new(env!("CARGO_BIN_EXE_stopspan"))
        .args([
            "run",
            "--no-wedge",
            "--sheet-look",
            "none",
            "--response",
            "srgb",
        ])
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
    bracket
        .comparison
        .unwrap_or_else(|| panic!("{:?}", bracket.findings))
}

/// A Gaussian edge of sigma pixels has MTF50 at 0.1874 / sigma; levels are within 0.02 of the curve's.
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
        assert!((knot.level - expected).abs() < 0.02, "{knot:?} {expected}");
    }
    assert!(found.ghosts.places.is_empty(), "{:?}", found.ghosts);
}

/// Not met yet: the mean MTF50 over the edges found comes out 3.4 % low here, and 2.4 % low on the smaller crop.
#[test]
#[ignore = "MTF50 of the camera's picture is 2.4 to 3.4 % low through the whole program; 2 % is wanted"]
fn blur_and_curve_come_back_through_the_whole_program() {
    let found = compared(SIZE, 1.0, (0.0, 0.0));
    holds(&found);
    holds(&compared((346, 460), 0.8, (20.0, 31.0)));
    assert!((found.scale - 1.0).abs() < 1e-4 && !found.resampled);
}

/// A crop of nine tenths of the frame, 0.8 times as large, is laid over by a similarity.
#[test]
fn a_smaller_crop_is_laid_over() {
    let found = compared((346, 460), 0.8, (20.0, 31.0));
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
    let plain = |y: f64, x: f64| srgb_level(light(y, x, SIGMA.1));
    write(&file("a.png"), SIZE, &plain, (1.0, (0.0, 0.0), 1));
    let other = |y: f64, x: f64| srgb_level(elsewhere(y, x));
    write(&file("b.png"), (350, 460), &other, (0.8, (0.0, 0.0), 2));
    let read = |name: &str| {
        let picture = image::open(file(name)).unwrap().to_rgb8();
        let shape = (picture.height() as usize, picture.width() as usize, 3);
        ndarray::Array3::from_shape_vec(shape, picture.into_raw()).unwrap()
    };
    let reference = super::texture::frame(read("a.png"), 1.0);
    let found = stopspan::align::place_at_any_scale(
        &reference,
        &stopspan::raster::Pixels::U8(read("b.png")),
    );
    assert!(found.is_none(), "{:?}", found.map(|f| f.transform));
}
