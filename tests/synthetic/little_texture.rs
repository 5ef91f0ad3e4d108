//! Charts with little texture on a tripod: frames that lay still are taken as still, exactly; those that moved are not.
use super::texture::frame;
use crate::published::srgb::to_level as srgb;
use ndarray::{Array2, Array3};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use stopspan_align::register;
use stopspan_core::model::{Bracket, Frame};
use stopspan_core::model::{MotionModel, Registration};

const SIZE: (usize, usize) = (480, 640);
const FULL_WELL: f64 = 9000.0;
const READ: f64 = 4.0;

/// What a scene of radiances becomes at an exposure, through an sRGB curve (IEC 61966-2-1), with shot and read noise.
fn capture(scene: &Array2<f64>, exposure: f64, seed: u64) -> Frame {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let normal = Normal::new(0.0, 1.0).unwrap();
    let mut codes = Array3::zeros((SIZE.0, SIZE.1, 3));
    for ((r, c), &radiance) in scene.indexed_iter() {
        for k in 0..3 {
            let electrons = FULL_WELL * exposure * radiance;
            let noise = (electrons + READ * READ).sqrt() * normal.sample(&mut random);
            let level = ((electrons + noise) / FULL_WELL).clamp(0.0, 1.0);
            codes[[r, c, k]] = (255.0 * srgb(level)).round() as u8;
        }
    }
    frame(codes, exposure)
}

/// Radiance at a point of the scene, the mean over a pixel of 4 x 4 points, moved by `by` pixels (columns, rows).
fn taken(scene: impl Fn(f64, f64) -> f64, by: (f64, f64)) -> Array2<f64> {
    Array2::from_shape_fn(SIZE, |(r, c)| {
        let point = |i: usize| {
            let (y, x) = ((i / 4) as f64 + 0.5, (i % 4) as f64 + 0.5);
            scene(c as f64 + x / 4.0 - by.0, r as f64 + y / 4.0 - by.1)
        };
        (0..16).map(point).sum::<f64>() / 16.0
    })
}

/// Upright stripes from edge to edge of the frame, each 0.15 in density (half a stop) darker than the last.
fn stripes(x: f64, _: f64) -> f64 {
    let step = ((x - 20.0) / 29.0).floor().clamp(0.0, 20.0);
    10f64.powf(-0.05 - 0.15 * step)
}

/// A row of 21 steps of 0.15 in density on a white ground.
fn white_ground(x: f64, y: f64) -> f64 {
    if !(64.0..576.0).contains(&x) || !(200.0..280.0).contains(&y) {
        return 0.9;
    }
    let step = ((x - 64.0) * 21.0 / 512.0).floor();
    10f64.powf(-0.05 - 0.15 * step)
}

/// A wall without texture, the lens's own fall-off of light over it, and one small thing that shows where the camera looks.
fn wall(x: f64, y: f64) -> f64 {
    let thing = ((x - 330.0) / 40.0).powi(2) + ((y - 230.0) / 30.0).powi(2) < 1.0;
    if thing {
        0.08 + 0.1 * (((x / 9.0).floor() + (y / 9.0).floor()) % 2.0)
    } else {
        0.5
    }
}

fn shaded(mut light: Array2<f64>) -> Array2<f64> {
    for ((r, c), v) in light.indexed_iter_mut() {
        let (y, x) = (r as f64 / 240.0 - 1.0, c as f64 / 240.0 - 4.0 / 3.0);
        *v *= 1.0 - 0.18 * (x * x + y * y);
    }
    light
}

fn registered(scenes: [Array2<f64>; 3], stops: f64, seed: u64) -> Registration {
    let frames = scenes.iter().zip([-stops, 0.0, stops]).enumerate();
    let frames =
        frames.map(|(i, (scene, ev))| capture(scene, 0.5 * f64::exp2(ev), 10 * seed + i as u64));
    register(&Bracket::new("little texture", frames.collect(), 1))
}

fn still(found: &Registration) -> bool {
    let still = |p: &stopspan_core::model::Placement| p.found && p.model == MotionModel::Identity;
    found.placements.iter().all(still) && found.findings.is_empty()
}

#[test]
fn charts_of_little_texture_lie_still() {
    let charts = [
        ("stripes", taken(stripes, (0.0, 0.0)), [1.0, 3.0]),
        ("white ground", taken(white_ground, (0.0, 0.0)), [2.0, 3.0]),
    ];
    for (name, scene, steps) in charts {
        for stops in steps {
            for seed in 0..2 {
                let found = registered([0; 3].map(|_| scene.clone()), stops, seed);
                assert!(
                    still(&found),
                    "{name} at {stops} EV, seed {seed}: {:#?}",
                    found.findings
                );
            }
        }
    }
}

/// What the lens shades stays when the camera turns: it is no proof of stillness.
#[test]
fn shading_is_no_proof_of_stillness() {
    for (seed, by) in [
        (0.0, 0.0),
        (0.0, 14.0),
        (9.5, -3.0),
        (30.0, 22.0),
        (3.0, 0.0),
    ]
    .into_iter()
    .enumerate()
    {
        let (first, second) = (taken(wall, (0.0, 0.0)), taken(wall, by));
        let scenes = [&second, &first, &second].map(|s| shaded(s.clone()));
        let found = registered(scenes, 1.0, 100 + seed as u64);
        for (i, placement) in found.placements.iter().enumerate().filter(|(i, _)| *i != 1) {
            let (x, y, _) = placement.movement;
            let off = (x - by.0).hypot(y - by.1);
            assert!(
                !placement.found || off < 0.5,
                "moved by {by:?}, frame {i} placed at {:?} {:?}",
                placement.movement,
                placement.model
            );
        }
    }
}
