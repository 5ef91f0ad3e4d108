//! Registration of frames whose motion is known: own band-limited texture, own sensor noise.
use super::texture::{Camera, Texture, frame};
use crate::published::srgb::to_level as srgb;
use ndarray::Array3;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use stopspan_align::{apply, register, warp};
use stopspan_core::model::{Bracket, Frame};
use stopspan_core::model::{MotionModel, Placement};
use stopspan_core::raster::{Pixels, Point, Transform};

pub(super) fn bracket(frames: Vec<Frame>, reference: usize) -> Bracket {
    Bracket::new("synthetic", frames, reference)
}

/// Largest distance over the corners between two maps, pixels.
pub(super) fn corner_error(a: &Transform, b: &Transform, (rows, columns): (usize, usize)) -> f64 {
    let (x, y) = (columns as f64, rows as f64);
    [(0.0, 0.0), (x, 0.0), (0.0, y), (x, y)]
        .into_iter()
        .map(|(x, y)| {
            let (p, q) = (
                a.apply(Point { x, y }).unwrap(),
                b.apply(Point { x, y }).unwrap(),
            );
            (p.x - q.x).hypot(p.y - q.y)
        })
        .fold(0.0, f64::max)
}

pub(super) fn centre((rows, columns): (usize, usize)) -> Point {
    Point {
        x: columns as f64 / 2.0,
        y: rows as f64 / 2.0,
    }
}

pub(super) const CAMERA: Camera = Camera {
    size: (256, 352),
    full_well: 9000.0,
    read: 4.0,
};

pub(super) fn place(scene: &Texture, truth: &Transform, stops: f64, seed: u64) -> Placement {
    let first = CAMERA.capture(scene, &Transform::IDENTITY, 0.25, seed);
    let second = CAMERA.capture(scene, truth, 0.25 * stops.exp2(), seed + 1000);
    let found = register(&bracket(vec![first, second], 0));
    found.placements[1].clone()
}

#[test]
fn a_tripod_bracket_stays_untouched() {
    for seed in 0..4 {
        let scene = Texture::new(seed, 40, 0.25, 1.2);
        for stops in [-3.0, -2.0, -1.0, 1.0, 2.0, 3.0] {
            let placement = place(&scene, &Transform::IDENTITY, stops, seed);
            assert!(placement.found, "seed {seed}, {stops} EV");
            assert_eq!(
                placement.model,
                MotionModel::Identity,
                "seed {seed}, {stops} EV"
            );
            assert_eq!(placement.transform, Transform::IDENTITY);
        }
    }
}

#[test]
fn whole_pixels_are_told_from_fractions() {
    for seed in 0..6 {
        let scene = Texture::new(seed, 40, 0.25, 1.2);
        let placement = place(&scene, &Transform::shift(7.0, -4.0), 1.0, seed);
        assert_eq!(placement.model, MotionModel::WholePixels, "seed {seed}");
        assert_eq!(placement.transform, Transform::shift(7.0, -4.0));
        let placement = place(&scene, &Transform::shift(7.5, -4.25), 1.0, seed);
        assert_eq!(
            placement.model,
            MotionModel::Shift,
            "seed {seed}: {placement:?}"
        );
    }
}

/// The bound of Robinson and Milanfar (2004) on the standard deviation of a shift, both axes together, pixels: the
/// inverse of the sum of squared gradients over the noise, over pixels that neither frame clips or crushes. The
/// reference's noise counts as well, brought to the frame's codes.
fn bound(scene: &Texture, map: &Transform, exposures: [f64; 2]) -> f64 {
    let log2 = scene.seen(map, CAMERA.size);
    let code =
        |r: usize, c: usize, k: usize| 255.0 * srgb((exposures[k] * log2[[r, c]].exp2()).min(1.0));
    let slope = |r: usize, c: usize, k: usize| {
        let x = exposures[k] * log2[[r, c]].exp2();
        255.0 * (srgb(x * 1.001) - srgb(x * 0.999)) / (0.002 * x)
    };
    let variance = |r: usize, c: usize, k: usize| {
        let electrons = CAMERA.full_well * exposures[k] * log2[[r, c]].exp2();
        let linear = (electrons + CAMERA.read * CAMERA.read) / CAMERA.full_well.powi(2);
        slope(r, c, k).powi(2) * linear + 1.0 / 12.0
    };
    let (rows, columns) = CAMERA.size;
    let [mut xx, mut xy, mut yy] = [0.0; 3];
    for r in 1..rows - 1 {
        for c in 1..columns - 1 {
            if (0..2).any(|k| !(3.0..250.0).contains(&code(r, c, k))) {
                continue;
            }
            let rise = slope(r, c, 1) * exposures[1] / (slope(r, c, 0) * exposures[0]);
            let noise = variance(r, c, 1) + rise * rise * variance(r, c, 0);
            let x = (code(r, c + 1, 1) - code(r, c - 1, 1)) / 2.0;
            let y = (code(r + 1, c, 1) - code(r - 1, c, 1)) / 2.0;
            xx += x * x / noise;
            xy += x * y / noise;
            yy += y * y / noise;
        }
    }
    ((xx + yy) / (xx * yy - xy * xy)).sqrt()
}

#[test]
fn clean_pairs_to_a_few_thousandths_of_a_pixel() {
    let (mut errors, mut ratios) = (Vec::new(), Vec::new());
    for seed in 0..16 {
        let scene = Texture::rich(100 + seed, 40, 0.25, 1.2);
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let truth = Transform::shift(
            random.random_range(-12..12) as f64 + random.random_range(0.2..0.8),
            random.random_range(-12..12) as f64 + random.random_range(0.2..0.8),
        );
        let placement = place(&scene, &truth, 1.0, seed);
        assert_eq!(placement.model, MotionModel::Shift, "seed {seed}");
        let error = corner_error(&placement.transform, &truth, CAMERA.size);
        errors.push(error);
        ratios.push(error / bound(&scene, &truth, [0.25, 0.5]));
    }
    errors.sort_by(f64::total_cmp);
    let rms = (ratios.iter().map(|r| r * r).sum::<f64>() / ratios.len() as f64).sqrt();
    eprintln!("shift errors, px: {errors:.4?}; r.m.s. over the bound {rms:.2}");
    assert!(errors[8] <= 0.003, "median {} px", errors[8]);
    // Tiles leave out part of the frame and smoothing part of the texture: about twice the bound is what is reached.
    assert!(rms < 2.3, "r.m.s. error {rms} times the bound");
}

#[test]
fn turns_and_homographies_are_found_as_such() {
    let mut errors = Vec::new();
    for seed in 0..6 {
        let scene = Texture::new(200 + seed, 40, 0.25, 1.2);
        let truth = Transform::turn(centre(CAMERA.size), 1.5 - 0.6 * seed as f64, 5.3, -8.6);
        let placement = place(&scene, &truth, 2.0, seed);
        assert_eq!(placement.model, MotionModel::ShiftAndTurn, "seed {seed}");
        errors.push(corner_error(&placement.transform, &truth, CAMERA.size));
        let mut tilted = truth;
        tilted.0[2] = [4e-5, -6e-5, 1.0];
        let placement = place(&scene, &tilted, 1.0, seed);
        assert_eq!(placement.model, MotionModel::Homography, "seed {seed}");
        let error = corner_error(&placement.transform, &tilted, CAMERA.size);
        let stated = placement.standard_uncertainty;
        assert!(
            error < 4.0 * stated + 0.02,
            "seed {seed}: {error} px, {stated} px stated"
        );
    }
    errors.sort_by(f64::total_cmp);
    eprintln!("turn errors, px: {errors:.4?}");
    assert!(errors[3] <= 0.02, "{errors:?}");
}

#[test]
fn unrelated_frames_are_refused_and_left_out() {
    for seed in 0..3 {
        let a = CAMERA.capture(
            &Texture::new(seed, 40, 0.25, 1.2),
            &Transform::IDENTITY,
            0.25,
            seed,
        );
        let b = CAMERA.capture(
            &Texture::new(seed + 50, 40, 0.25, 1.2),
            &Transform::IDENTITY,
            0.5,
            seed + 1,
        );
        let c = CAMERA.capture(
            &Texture::new(seed, 40, 0.25, 1.2),
            &Transform::IDENTITY,
            0.4,
            seed + 2,
        );
        let bracket = bracket(vec![b, a, c], 1);
        let registration = register(&bracket);
        assert!(!registration.placements[0].found, "seed {seed}");
        assert!(registration.placements[2].found, "seed {seed}");
        assert_eq!(registration.findings.len(), 1);
        let third = registration.placements[2].clone();
        let (applied, of_them) = apply(bracket, registration);
        assert_eq!((applied.frames.len(), applied.reference), (2, 0));
        // the tables stay in step with the frames that remain
        assert_eq!(of_them.placements.len(), 2, "seed {seed}");
        assert_eq!(of_them.placements[1], third, "seed {seed}");
    }
}

#[test]
fn flat_black_and_clipped_frames_are_refused() {
    for (first, second) in [(0, 0), (255, 255), (128, 128), (0, 255)] {
        let flat = |code: u8, e: f64| frame(Array3::from_elem((200, 300, 3), code), e);
        let registration = register(&bracket(vec![flat(first, 0.2), flat(second, 0.4)], 0));
        assert!(!registration.placements[1].found, "{first} {second}");
    }
    for size in [(1, 1), (1, 500), (20, 20)] {
        let tiny = |e: f64| {
            frame(
                Array3::from_shape_fn((size.0, size.1, 3), |(r, c, _)| (r * 7 + c) as u8),
                e,
            )
        };
        assert!(!register(&bracket(vec![tiny(0.2), tiny(0.4)], 0)).placements[1].found);
    }
}

#[test]
fn a_moving_thing_does_not_pull_the_frame_along() {
    let scene = Texture::new(7, 40, 0.25, 1.2);
    let other = Texture::new(8, 40, 0.25, 1.2);
    let first = CAMERA.capture(&scene, &Transform::IDENTITY, 0.25, 1);
    let mut second = CAMERA.capture(&scene, &Transform::IDENTITY, 0.5, 2);
    let walker = CAMERA.capture(&other, &Transform::IDENTITY, 0.5, 3);
    if let (Pixels::U8(to), Pixels::U8(from)) = (&mut second.picture.pixels, &walker.picture.pixels)
    {
        let part = ndarray::s![50..200, 30..140, ..];
        to.slice_mut(part).assign(&from.slice(part));
    }
    let found = register(&bracket(vec![first, second], 0));
    assert_eq!(
        found.placements[1].model,
        MotionModel::Identity,
        "{:?}",
        found.findings
    );
}

#[test]
fn one_thread_and_many_agree_bit_for_bit() {
    let scene = Texture::new(11, 40, 0.25, 1.2);
    let truth = Transform::turn(centre(CAMERA.size), 0.7, 21.0, -9.4);
    let make = || {
        let first = CAMERA.capture(&scene, &Transform::IDENTITY, 0.25, 1);
        bracket(vec![first, CAMERA.capture(&scene, &truth, 0.5, 2)], 0)
    };
    let pool = |n| {
        rayon::ThreadPoolBuilder::new()
            .num_threads(n)
            .build()
            .unwrap()
    };
    let one = pool(1).install(|| register(&make()));
    let four = pool(4).install(|| register(&make()));
    assert_eq!(one, four);
}

#[test]
fn whole_pixel_pictures_are_moved_unchanged() {
    let codes = Array3::from_shape_fn((9, 12, 3), |(r, c, k)| (r * 20 + c * 3 + k) as u8);
    let Pixels::U8(moved) = warp(&Pixels::U8(codes.clone()), &Transform::shift(2.0, -1.0)) else {
        panic!()
    };
    for ((r, c, k), &v) in moved.indexed_iter() {
        let expected = if r >= 1 && c + 2 < 12 {
            codes[[r - 1, c + 2, k]]
        } else {
            0
        };
        assert_eq!(v, expected);
    }
}
