//! Frames that lie at another scale, that share no tones with the reference, or that show next to nothing.
use super::registration::{bracket, centre, corner_error, place};
use super::texture::{Camera, Texture, frame};
use ndarray::Array3;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use stopspan_align::register;
use stopspan_core::finding::Finding;
use stopspan_core::model::MotionModel;
use stopspan_core::raster::{Point, Transform};

const LARGE: Camera = Camera {
    size: (768, 1024),
    full_well: 9000.0,
    read: 4.0,
};

fn enlarged(scale: f64, Point { x, y }: Point) -> Transform {
    let rest = 1.0 - scale;
    Transform([
        [scale, 0.0, rest * x],
        [0.0, scale, rest * y],
        [0.0, 0.0, 1.0],
    ])
}

/// Focus breathing and reprojection scale by up to 1.5 %: 9.6 pixels at the corners here, beside shift and rotation.
#[test]
fn scales_are_found() {
    for (seed, scale) in [0.985, 0.992, 1.004, 1.015].into_iter().enumerate() {
        let seed = seed as u64;
        let scene = Texture::new(900 + seed, 40, 0.25, 1.2);
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut drawn = |reach: f64| random.random_range(-reach..reach);
        let turned = Transform::turn(centre(LARGE.size), drawn(0.5), drawn(12.0), drawn(12.0));
        let truth = enlarged(scale, centre(LARGE.size)).after(&turned);
        let first = LARGE.capture(&scene, &Transform::IDENTITY, 0.25, seed);
        let second = LARGE.capture(&scene, &truth, 0.5, seed + 1000);
        let found = register(&bracket(vec![first, second], 0));
        let placement = &found.placements[1];
        let error = corner_error(&placement.transform, &truth, LARGE.size);
        assert!(placement.found && error < 0.1, "{scale}: {error} px");
        assert_eq!(placement.model, MotionModel::Similarity, "{scale}");
        let told = found.findings.iter().find_map(|f| match f {
            Finding::Enlarged { scale, .. } => Some(*scale),
            _ => None,
        });
        assert!((told.unwrap() - scale).abs() < 1e-4, "{told:?}, {scale}");
    }
}

/// The longest and the shortest exposure share no tone that neither has clipped or crushed; each shares some with the one between.
#[test]
fn frames_without_common_tones_are_placed_through_their_neighbour() {
    for seed in 0..4 {
        let scene = Texture::new(950 + seed, 40, 0.25, 2.5);
        let maps = [(4.0, -3.0), (2.0, 5.0), (0.0, 0.0)].map(|(x, y)| Transform::shift(x, y));
        let take = |j: usize, exposure: f64| {
            LARGE.capture(&scene, &maps[j], exposure, 10 * seed + j as u64)
        };
        let frames = vec![take(0, 2f64.powi(-8)), take(1, 2f64.powi(-3)), take(2, 4.0)];
        let ends = vec![frames[0].clone(), frames[2].clone()];
        let direct = register(&bracket(ends, 1));
        assert!(
            !direct.placements[0].found,
            "seed {seed}: nothing is shown by this test"
        );
        let found = register(&bracket(frames, 2));
        for j in [0, 1] {
            let placement = &found.placements[j];
            let error = corner_error(&placement.transform, &maps[j], LARGE.size);
            assert!(
                placement.found && error < 0.2,
                "seed {seed}, {j}: {error} px"
            );
        }
    }
}

/// A frame of noise beside frames that lie still is placed with them, and that is told; beside frames that moved it is not.
#[test]
fn a_frame_that_shows_nothing_is_placed_with_those_that_lie_still() {
    let scene = Texture::new(990, 40, 0.25, 1.2);
    let mut random = ChaCha8Rng::seed_from_u64(3);
    let noise = Array3::from_shape_simple_fn((LARGE.size.0, LARGE.size.1, 3), || {
        random.random_range(3..6)
    });
    for (shift, kept) in [(0.0, true), (7.0, false)] {
        let moved = Transform::shift(shift, 0.0);
        let frames = vec![
            frame(noise.clone(), 0.001),
            LARGE.capture(&scene, &moved, 0.1, 1),
            LARGE.capture(&scene, &Transform::IDENTITY, 0.3, 2),
        ];
        let found = register(&bracket(frames, 2));
        assert_eq!(found.placements[0].found, kept, "{:?}", found.findings);
        let told = found.findings.iter().any(|f| match f {
            Finding::PlacedLikeNeighbour { frame, neighbour } => {
                frame == "exposure_0.001.png" && neighbour == "exposure_0.100.png"
            }
            _ => false,
        });
        assert_eq!(told, kept, "{:?}", found.findings);
    }
}

/// A frame deep in noise: where it lies is either found to half a pixel, or it is told that it may not be.
#[test]
fn a_frame_with_little_to_align_by_is_right_or_told() {
    let mut found = 0;
    for seed in 0..16 {
        let scene = Texture::new(930 + seed, 40, 0.25, 1.2);
        let truth = Transform::shift(0.7, -0.6);
        let noisy = Camera {
            full_well: 10.0 * 1.25f64.powi(seed as i32),
            ..LARGE
        };
        let frames = vec![
            noisy.capture(&scene, &truth, 0.25, seed),
            LARGE.capture(&scene, &Transform::IDENTITY, 0.25, seed + 100),
        ];
        let placed = register(&bracket(frames, 1));
        let placement = &placed.placements[0];
        let little = |f: &Finding| matches!(f, Finding::AlignedByLittle { .. });
        let error = corner_error(&placement.transform, &truth, LARGE.size);
        if placement.found && !placed.findings.iter().any(little) {
            found += 1;
            assert!(error < 0.5, "seed {seed}: {error} px, nothing told");
        }
    }
    // With less than some 40 electrons at saturation nothing is found, and that is told.
    assert!(found >= 9, "found {found}");
}

/// Half a pixel that clean frames show is a displacement, however small.
#[test]
fn a_displacement_that_explains_the_frames_is_taken_out() {
    for seed in 0..3 {
        let scene = Texture::new(970 + seed, 40, 0.25, 1.2);
        let placement = place(&scene, &Transform::shift(0.4, -0.3), 1.0, seed);
        assert_eq!(placement.model, MotionModel::Shift, "seed {seed}");
    }
}
