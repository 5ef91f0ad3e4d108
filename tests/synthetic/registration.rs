//! Registration of frames whose motion is known: own band-limited texture, own sensor noise.
use ndarray::{Array2, Array3};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use stopspan::align::{MotionModel, Placement, apply, register, warp};
use stopspan::formats::{Compression, Format, Header, Picture};
use stopspan::frames::{Bracket, Exposure, ExposureSource, Frame};
use stopspan::raster::{Pixels, Point, Transform};
use stopspan::units::{Estimate, Settings};

/// log2 radiance as a sum of cosines whose size falls with frequency as in
/// natural scenes: known between pixels too; standard deviation
/// `stops`, no frequency above `highest` cycles a pixel.
struct Texture {
    waves: Vec<[f64; 4]>,
}

impl Texture {
    fn new(seed: u64, waves: usize, highest: f64, stops: f64) -> Self {
        Self::falling(seed, waves, (highest, 1.0), stops)
    }

    /// With more fine texture than most scenes have.
    fn rich(seed: u64, waves: usize, highest: f64, stops: f64) -> Self {
        Self::falling(seed, waves, (highest, 0.3), stops)
    }

    fn falling(seed: u64, waves: usize, (highest, fall): (f64, f64), stops: f64) -> Self {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut waves: Vec<[f64; 4]> = (0..waves)
            .map(|_| {
                let angle = random.random_range(0.0..std::f64::consts::PI);
                let frequency = highest * random.random_range(0.02f64..1.0).powf(1.5);
                let size = frequency.max(0.005).powf(-fall);
                let turn = std::f64::consts::TAU * frequency;
                let phase = random.random_range(0.0..std::f64::consts::TAU);
                [turn * angle.cos(), turn * angle.sin(), phase, size]
            })
            .collect();
        let deviation = (waves.iter().map(|w| w[3] * w[3] / 2.0).sum::<f64>()).sqrt();
        waves.iter_mut().for_each(|w| w[3] *= stops / deviation);
        Texture { waves }
    }

    fn log2(&self, p: Point) -> f64 {
        self.waves
            .iter()
            .map(|w| w[3] * (w[0] * p.x + w[1] * p.y + w[2]).cos())
            .sum()
    }

    /// log2 radiance at every pixel of a frame seen through `map` (reference -> frame). Where the map is affine a wave
    /// stays a plane wave, and its cosine is put together from one table along rows and one along columns.
    fn seen(&self, map: &Transform, (rows, columns): (usize, usize)) -> Array2<f64> {
        let back = map.inverse().unwrap();
        let m = back.0;
        let mut plane = Array2::zeros((rows, columns));
        if m[2][0] != 0.0 || m[2][1] != 0.0 {
            return Array2::from_shape_fn((rows, columns), |(r, c)| {
                self.log2(
                    back.apply(Point {
                        x: c as f64 + 0.5,
                        y: r as f64 + 0.5,
                    })
                    .unwrap(),
                )
            });
        }
        for w in &self.waves {
            let (u, v) = (
                w[0] * m[0][0] + w[1] * m[1][0],
                w[0] * m[0][1] + w[1] * m[1][1],
            );
            let phase = w[0] * m[0][2] + w[1] * m[1][2] + w[2];
            let across: Vec<(f64, f64)> = (0..columns)
                .map(|c| (u * (c as f64 + 0.5) + phase).sin_cos())
                .collect();
            for (r, mut line) in plane.rows_mut().into_iter().enumerate() {
                let (s, k) = (v * (r as f64 + 0.5)).sin_cos();
                for (value, (sine, cosine)) in line.iter_mut().zip(&across) {
                    *value += w[3] * (cosine * k - sine * s);
                }
            }
        }
        plane
    }
}

fn srgb(x: f64) -> f64 {
    if x <= 0.003_130_8 {
        12.92 * x
    } else {
        1.055 * x.powf(1.0 / 2.4) - 0.055
    }
}

struct Camera {
    size: (usize, usize),
    full_well: f64,
    read: f64,
}

impl Camera {
    /// 8-bit codes of the scene seen through `map` (reference -> frame) at an exposure that puts radiance 1 at
    /// `exposure` of saturation.
    fn capture(&self, scene: &Texture, map: &Transform, exposure: f64, seed: u64) -> Frame {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let normal = Normal::new(0.0, 1.0).unwrap();
        let codes = scene.seen(map, self.size).mapv(|log2| {
            let electrons = self.full_well * exposure * log2.exp2();
            let noise = (electrons + self.read * self.read).sqrt() * normal.sample(&mut random);
            let level = ((electrons + noise) / self.full_well).clamp(0.0, 1.0);
            (255.0 * srgb(level)).round() as u8
        });
        let (rows, columns) = self.size;
        frame(
            Array3::from_shape_fn((rows, columns, 3), |(r, c, _)| codes[[r, c]]),
            exposure,
        )
    }
}

fn frame(codes: Array3<u8>, exposure: f64) -> Frame {
    let stated = Estimate::new(exposure.log2(), 0.01);
    Frame {
        picture: Picture {
            file: format!("exposure_{exposure:.3}.png").into(),
            format: Format::Png,
            pixels: Pixels::U8(codes),
            compression: Compression::Lossless,
            header: Header::default(),
            file_bytes: 0,
            damaged: false,
        },
        settings: Settings::default(),
        exposure: Exposure {
            stated,
            used: stated,
            source: ExposureSource::Metadata,
        },
        bias: None,
        transform: None,
    }
}

fn bracket(frames: Vec<Frame>, reference: usize) -> Bracket {
    Bracket {
        name: "synthetic".into(),
        frames,
        reference,
        camera_hdr: None,
        findings: Vec::new(),
    }
}

/// Largest distance over the corners between two maps, pixels.
fn corner_error(a: &Transform, b: &Transform, (rows, columns): (usize, usize)) -> f64 {
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

fn centre((rows, columns): (usize, usize)) -> Point {
    Point {
        x: columns as f64 / 2.0,
        y: rows as f64 / 2.0,
    }
}

const CAMERA: Camera = Camera {
    size: (256, 352),
    full_well: 9000.0,
    read: 4.0,
};

fn place(scene: &Texture, truth: &Transform, stops: f64, seed: u64) -> Placement {
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

/// Drifts up to 10 % of the width and 3 degrees, 1 to 3 EV apart; what is not found must be said.
#[test]
fn large_drifts_are_found_or_refused() {
    let (mut found, mut wrong, total) = (0, 0, 20);
    for seed in 0..total {
        let scene = Texture::new(300 + seed, 40, 0.25, 1.2);
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let reach = 0.1 * CAMERA.size.1 as f64;
        let truth = Transform::turn(
            centre(CAMERA.size),
            random.random_range(-3.0..3.0),
            random.random_range(-reach..reach),
            random.random_range(-reach..reach),
        );
        let placement = place(
            &scene,
            &truth,
            [1.0, -1.0, 2.0, -2.0, 3.0][seed as usize % 5],
            seed,
        );
        if placement.found {
            let error = corner_error(&placement.transform, &truth, CAMERA.size);
            if error < 0.5 { found += 1 } else { wrong += 1 }
        }
    }
    assert_eq!(wrong, 0, "confidently wrong placements");
    assert!(found * 100 >= 98 * total, "{found} of {total}");
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
        let applied = apply(bracket, &registration);
        assert_eq!((applied.frames.len(), applied.reference), (2, 0));
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
