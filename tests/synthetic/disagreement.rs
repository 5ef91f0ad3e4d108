//! Uncertainties of maps merged from JPEG frames, held against a known scene.
//!
//! What coding takes away differs from place to place; the stated uncertainty must cover it all the same. JPEG files are made by another
//! library (`jpeg-encoder`) at quality 95 with half the chroma resolution.
use super::texture::Texture;
use crate::published::srgb::to_level as srgb;
use ndarray::{Array2, Array3};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use stopspan::{Merged, ResponseRequest, merge, recover, register};
use stopspan_core::model::{Bracket, Frame, flag};
use stopspan_core::raster::{Pixels, Transform};
use stopspan_core::units::Estimate;

const SIZE: (usize, usize) = (480, 640);
const FULL_WELL: f64 = 9000.0;
const READ: f64 = 4.0;

/// sRGB with an S-curve on top.
fn encoded(x: f64) -> f64 {
    let y = srgb(x.clamp(0.0, 1.0));
    0.45 * y + 0.55 * y * y * (3.0 - 2.0 * y)
}

/// Relative radiance: texture over five stops, slowly changing in colour.
fn scene(seed: u64) -> Array3<f64> {
    let plane = |seed: u64, highest: f64, stops: f64| -> Array2<f64> {
        Texture::new(seed, 60, highest, stops).seen(&Transform::IDENTITY, SIZE)
    };
    let light = plane(seed, 0.3, 1.3);
    let colours: Vec<Array2<f64>> = (1..4).map(|k| plane(seed + k, 0.02, 0.2)).collect();
    Array3::from_shape_fn((SIZE.0, SIZE.1, 3), |(r, c, k)| {
        (light[[r, c]] + colours[k][[r, c]] - 3.0).exp2()
    })
}

/// The scene as a JPEG file shows it at `stops`.
fn frame(scene: &Array3<f64>, stops: f64, seed: u64) -> Frame {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let normal = Normal::new(0.0, 1.0).unwrap();
    let codes = scene.mapv(|x| {
        let electrons = FULL_WELL * x * stops.exp2();
        let noisy = electrons + (electrons + READ * READ).sqrt() * normal.sample(&mut random);
        (255.0 * encoded(noisy / FULL_WELL)).round() as u8
    });
    coded(&codes, stops)
}

/// A frame of these codes as a JPEG file of quality 95 with half the chroma resolution, made by another library.
pub(super) fn coded(codes: &Array3<u8>, stops: f64) -> Frame {
    coded_at(codes, stops, 95)
}

/// The same at a quality of 1 to 100.
pub(super) fn coded_at(codes: &Array3<u8>, stops: f64, quality: u8) -> Frame {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("frame.jpg");
    let mut encoder = jpeg_encoder::Encoder::new_file(&file, quality).unwrap();
    encoder.set_sampling_factor(jpeg_encoder::SamplingFactor::F_2_2);
    let (rows, columns, _) = codes.dim();
    let bytes = codes.as_slice().unwrap();
    encoder
        .encode(
            bytes,
            columns as u16,
            rows as u16,
            jpeg_encoder::ColorType::Rgb,
        )
        .unwrap();
    let picture = stopspan_formats::read_picture(&file, &Default::default()).unwrap();
    let pixels = Pixels::U8(Array3::zeros((1, 1, 3)));
    let mut frame = Frame::of_pixels("frame.jpg", pixels, Estimate::new(stops, 0.01));
    frame.picture = picture;
    frame
}

fn merged(scene: &Array3<f64>, stops: &[f64], seed: u64) -> Merged {
    let frames = stops.iter().enumerate();
    let frames = frames.map(|(j, &s)| frame(scene, s, 100 * seed + j as u64));
    let reference = stops.iter().position(|s| *s == 0.0).unwrap();
    let bracket = Bracket::new("coded", frames.collect(), reference);
    let mut found = merge(recover(register(bracket), ResponseRequest::Fit).unwrap()).unwrap();
    // No camera sharpened or smoothed these frames: the allowance for that, 0.1 of the detail, is taken out.
    let seen = found.frames.disagreement.as_mut().unwrap();
    seen.blocks.iter_mut().for_each(|b| b.alike = [0.0; 3]);
    found.map = stopspan_merge::Merger::of(&found.frames).whole();
    found
}

/// Errors over stated uncertainty: pixel by pixel and of means over 16 x 16; one scale a channel is taken out.
pub(super) fn errors(found: &Merged, truth: &Array3<f64>) -> (Vec<f64>, Vec<f64>) {
    let map = &found.map;
    let (rows, columns, _) = truth.dim();
    let (mut pixels, mut areas) = (Vec::new(), Vec::new());
    let bad = flag::CLIPPED_IN_ALL | flag::DARK_IN_ALL;
    for channel in 0..3 {
        let error = |r: usize, c: usize| {
            let value = f64::from(map.radiance[[r, c, channel]]);
            let usable = map.flags[[r, c]] & bad == 0 && value > 0.0;
            usable.then(|| (value / truth[[r, c, channel]]).ln())
        };
        let places = || (0..rows).flat_map(|r| (0..columns).map(move |c| (r, c)));
        let mut all: Vec<f64> = places().filter_map(|(r, c)| error(r, c)).collect();
        all.sort_by(f64::total_cmp);
        let scale = all[all.len() / 2];
        let own = |r: usize, c: usize| {
            let radiance = map.radiance[[r, c, channel]];
            f64::from(map.statistical[[r, c, channel]] / radiance).powi(2)
        };
        let shared = |r: usize, c: usize| f64::from(map.systematic[[r, c, channel]]).powi(2);
        pixels.extend(
            places().filter_map(|(r, c)| {
                Some((error(r, c)? - scale) / (own(r, c) + shared(r, c)).sqrt())
            }),
        );
        for i in 0..rows / 16 * (columns / 16) {
            let (top, left) = (i / (columns / 16) * 16, i % (columns / 16) * 16);
            let inside = (0..256).map(|k| (top + k / 16, left + k % 16));
            let found: Vec<[f64; 3]> = inside
                .filter_map(|(r, c)| Some([error(r, c)? - scale, own(r, c), shared(r, c)]))
                .collect();
            if found.len() > 200 {
                let n = found.len() as f64;
                let sum = |k: usize| found.iter().map(|f| f[k]).sum::<f64>();
                areas.push(sum(0) / n / (sum(1) / (n * n) + sum(2) / n).sqrt());
            }
        }
    }
    (pixels, areas)
}

pub(super) fn share_within(errors: &[f64], limit: f64) -> f64 {
    let inside = errors.iter().filter(|e| e.abs() <= limit).count();
    inside as f64 / errors.len() as f64
}

/// A normal error lies within one standard uncertainty in 0.68 of all cases and within 1.96 in 0.95; coding errors are not quite normal.
#[test]
fn stated_uncertainty_covers_what_coding_does() {
    for (seed, stops) in [(3, &[-1.0, 0.0, 1.0][..]), (4, &[-2.0, 0.0, 2.0])] {
        let truth = scene(seed);
        let found = merged(&truth, stops, seed);
        let (pixels, areas) = errors(&found, &truth);
        let [one, two] = [1.0, 1.96].map(|limit| share_within(&pixels, limit));
        let means = share_within(&areas, 1.96);
        println!("{stops:?}: {one:.3} {two:.3}, means of 16 x 16 {means:.3}");
        assert!((0.63..=0.80).contains(&one), "{stops:?}: {one}");
        assert!((0.92..=0.99).contains(&two), "{stops:?}: {two}");
        assert!(means >= 0.90 && areas.len() > 1000, "{stops:?}: {means}");
    }
}

/// The terms come from the frames: without them the same map states a third less.
#[test]
fn frames_disagree_by_more_than_flat_places_show() {
    let truth = scene(5);
    let found = merged(&truth, &[-1.0, 0.0, 1.0], 5);
    let mut bare = found.frames.clone();
    bare.disagreement = None;
    let without = stopspan_merge::Merger::of(&bare).whole();
    let mut ratios: Vec<f32> = found
        .map
        .statistical
        .iter()
        .zip(&without.statistical)
        .map(|(a, b)| a / b)
        .collect();
    ratios.sort_by(f32::total_cmp);
    let middle = ratios[ratios.len() / 2];
    assert!(middle > 1.1, "{middle}");
    assert_eq!(found.map.radiance, without.radiance);
}
