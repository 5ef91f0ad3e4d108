//! Low light: frames of a few hundred electrons behind a camera's noise reduction and colour matrix. They merge, neutral
//! patches stay neutral, and no patch is noisier than in the best single frame.
//!
//! The truth is the scene, and the camera's own curve.
use super::makers::{STOPS, camera, codes, merged};
use super::texture::Texture;
use ndarray::{Array3, ArrayView3, s};
use stopspan_core::raster::Transform;
use stopspan_measure::compare::{D65, lab, xyz};
use stopspan_simulate::{CameraCurve, Sensor};

/// Neutral patches, stops below saturation of the frame at 0. The longest frame holds a few electrons at the darkest.
const PATCHES: [f64; 10] = [0.8, 1.4, 2.0, 2.6, 3.2, 3.8, 4.4, 5.0, 5.6, 6.2];
/// Side of a patch, pixels.
const SIDE: usize = 60;

/// Top row and left column of a patch.
fn corner(patch: usize) -> (usize, usize) {
    (100 + 260 * (patch / 5), 60 + 145 * (patch % 5))
}

/// Inside of a patch: rows and columns of a picture.
fn inside<T>(picture: &Array3<T>, patch: usize) -> ArrayView3<'_, T> {
    let (top, left) = corner(patch);
    picture.slice(s![top + 8..top + SIDE - 8, left + 8..left + SIDE - 8, ..])
}

/// Relative radiance: soft texture over eight stops, and the patches.
fn scene(seed: u64) -> Array3<f64> {
    let plane = |seed: u64, stops: f64| {
        Texture::new(seed, 60, 0.03, stops).seen(&Transform::IDENTITY, (600, 800))
    };
    let light = plane(seed, 1.6);
    let colours: Vec<_> = (1..4).map(|k| plane(seed + k, 0.25)).collect();
    let mut scene = Array3::from_shape_fn((600, 800, 3), |(r, c, k)| {
        (light[[r, c]] + colours[k][[r, c]] - 3.3).exp2()
    });
    for (patch, stops) in PATCHES.iter().enumerate() {
        let (top, left) = corner(patch);
        let mut here = scene.slice_mut(s![top..top + SIDE, left..left + SIDE, ..]);
        here.fill((-stops).exp2());
    }
    scene
}

/// Mean, and standard deviation over mean, by channel.
#[derive(Clone, Copy)]
struct Patch {
    mean: [f64; 3],
    noise: [f64; 3],
}

impl Patch {
    fn of(pixels: ArrayView3<'_, f64>) -> Patch {
        let channel = |k: usize| pixels.slice(s![.., .., k]);
        let mean = [0, 1, 2].map(|k| channel(k).mean().unwrap());
        let noise = [0, 1, 2].map(|k| channel(k).std(1.0) / mean[k]);
        Patch { mean, noise }
    }

    /// a* and b* (ISO/CIE 11664-4) against the white.
    fn colour(&self, white: &Patch) -> [f64; 2] {
        let relative = [0, 1, 2].map(|k| self.mean[k] / white.mean[k]);
        let [_, a, b] = lab(xyz(relative), D65);
        [a, b]
    }
}

/// The patches of every frame by the camera's own curve, as radiance; `None` where pixels clip.
fn of_frames(frames: &[Array3<u8>], curve: &CameraCurve) -> Vec<Vec<Option<Patch>>> {
    let fine: Vec<f64> = (0..=20_000).map(|i| f64::from(i) / 20_000.0).collect();
    let exposure = |code: u8| {
        let level = f64::from(code) / 255.0;
        let above = fine.partition_point(|&x| curve.level(x) < level);
        fine[above.min(20_000)]
    };
    let table: Vec<f64> = (0..=255).map(exposure).collect();
    let of_frame = |(frame, stops): (&Array3<u8>, f64)| {
        let patch = |patch: usize| {
            let codes = inside(frame, patch);
            let unclipped = codes.iter().all(|&c| c < 254);
            let radiance = codes.mapv(|c| table[usize::from(c)] / stops.exp2());
            unclipped.then(|| Patch::of(radiance.view()))
        };
        (0..PATCHES.len()).map(patch).collect()
    };
    frames.iter().zip(STOPS).map(of_frame).collect()
}

/// The patches as all unclipped frames have them, weighted by exposure (noise of photons).
fn together(frames: &[Vec<Option<Patch>>], patch: usize) -> Patch {
    let (mut sum, mut total) = ([0.0; 3], 0.0);
    for (frame, stops) in frames.iter().zip(STOPS) {
        if let Some(seen) = frame[patch] {
            let weight = stops.exp2();
            (0..3).for_each(|k| sum[k] += weight * seen.mean[k]);
            total += weight;
        }
    }
    Patch {
        mean: sum.map(|s| s / total),
        noise: [0.0; 3],
    }
}

/// Largest distance in a*, b* of a patch of the map from what the frames have of it by the camera's own curve, and largest ratio
/// of its noise to that of the best frame.
fn worst(sensor: &Sensor, seed: u64) -> (f64, f64) {
    let truth = scene(seed);
    let map = merged(&truth, sensor, seed).map.radiance.mapv(f64::from);
    let frames: Vec<Array3<u8>> = (0..3).map(|j| codes(&truth, sensor, seed, j)).collect();
    let frames = of_frames(&frames, &sensor.response);
    let (white, white_of_frames) = (Patch::of(inside(&map, 0)), together(&frames, 0));
    let (mut colour, mut noise) = (0f64, 0f64);
    for patch in 0..PATCHES.len() {
        let found = Patch::of(inside(&map, patch));
        let [a, b] = found.colour(&white);
        let [c, d] = together(&frames, patch).colour(&white_of_frames);
        colour = colour.max((a - c).hypot(b - d));
        for k in 0..3 {
            let of_frames = frames.iter().filter_map(|f| f[patch]);
            let best = of_frames.map(|p| p.noise[k]).fold(f64::INFINITY, f64::min);
            noise = noise.max(found.noise[k] / best);
        }
    }
    (colour, noise)
}

#[test]
fn neutral_patches_stay_neutral_in_low_light() {
    for (saturation, noise_reduction, seed) in [(1.05, 0.6, 1), (1.05, 0.9, 2), (1.25, 0.6, 3)] {
        let sensor = Sensor {
            full_well: 800.0,
            read_noise: 3.0,
            noise_reduction,
            ..camera(saturation, 0.3, 0.0)
        };
        let (colour, noise) = worst(&sensor, seed);
        let case = format!("saturation {saturation}, noise reduction {noise_reduction}");
        println!("{case}: {colour:.2} {noise:.2}");
        assert!(colour <= 1.0, "{case}: dC* {colour}");
        assert!(noise <= 1.0, "{case}: noise {noise} of the best frame's");
    }
}
