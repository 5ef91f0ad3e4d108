//! Band-limited scenes that are known between pixels too, and a camera that takes them.
use crate::published::srgb::to_level as srgb;
use ndarray::{Array2, Array3};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use stopspan_core::model::Frame;
use stopspan_core::raster::{Pixels, Point, Transform};
use stopspan_core::units::Estimate;

/// log2 radiance as a sum of cosines whose size falls with frequency as in
/// natural scenes: known between pixels too; standard deviation
/// `stops`, no frequency above `highest` cycles a pixel.
pub(super) struct Texture {
    waves: Vec<[f64; 4]>,
}

impl Texture {
    pub(super) fn new(seed: u64, waves: usize, highest: f64, stops: f64) -> Self {
        Self::falling(seed, waves, (highest, 1.0), stops)
    }

    /// With more fine texture than most scenes have.
    pub(super) fn rich(seed: u64, waves: usize, highest: f64, stops: f64) -> Self {
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
    pub(super) fn seen(&self, map: &Transform, (rows, columns): (usize, usize)) -> Array2<f64> {
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

pub(super) struct Camera {
    pub(super) size: (usize, usize),
    pub(super) full_well: f64,
    pub(super) read: f64,
}

impl Camera {
    /// 8-bit codes of the scene seen through `map` (reference -> frame) at an exposure that puts radiance 1 at
    /// `exposure` of saturation.
    pub(super) fn capture(
        &self,
        scene: &Texture,
        map: &Transform,
        exposure: f64,
        seed: u64,
    ) -> Frame {
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

pub(crate) fn frame(codes: Array3<u8>, exposure: f64) -> Frame {
    let file = format!("exposure_{exposure:.3}.png");
    let exposure = Estimate::new(exposure.log2(), 0.01);
    Frame::of_pixels(file, Pixels::U8(codes), exposure)
}
