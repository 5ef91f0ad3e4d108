//! What must be true of every merge, whatever the frames: by property, on brackets drawn by chance.
use crate::synthetic::texture::frame;
use ndarray::{Array3, s};
use proptest::prelude::*;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use stopspan_core::model::{Bracket, Frame};
use stopspan_core::model::{Noise, NoiseModel, NoiseSource, RadianceMap, flag};
use stopspan_core::model::{Response, ResponseCurve, ResponseMethod};
use stopspan_core::raster::Pixels;
use stopspan_merge::Merger;

/// Variance per unit exposure, and at none, exposure^2: 9000 electrons at the clip level, 4 of read noise.
const SHOT: f64 = 1.0 / 9000.0;
const READ: f64 = 2.0e-7;

/// A bracket drawn by chance.
#[derive(Debug, Clone)]
struct Drawn {
    seed: u64,
    /// Exposures, log2, least first.
    stops: Vec<f64>,
    shape: (usize, usize, usize),
    reference: usize,
    deep: bool,
}

fn drawn() -> impl Strategy<Value = Drawn> {
    let stops = (2usize..6, 1u32..4);
    let shape = (1usize..7, 1usize..20, prop::sample::select(vec![1usize, 3]));
    (
        any::<u64>(),
        stops,
        shape,
        any::<prop::sample::Index>(),
        any::<bool>(),
    )
        .prop_map(|(seed, (count, step), shape, reference, deep)| Drawn {
            seed,
            stops: (0..count)
                .map(|j| f64::from(step) * j as f64 - 4.0)
                .collect(),
            shape,
            reference: reference.index(count),
            deep,
        })
}

/// Brightest light that does not clip in the shortest frame has log2 radiance 4; `darkest` is the other end.
impl Drawn {
    fn radiance(&self, darkest: f64) -> Array3<f64> {
        let mut random = ChaCha8Rng::seed_from_u64(self.seed);
        Array3::from_shape_simple_fn(self.shape, || random.random_range(darkest..4.5).exp2())
    }

    /// Linear frames of that light with its noise.
    fn frames(&self, radiance: &Array3<f64>) -> Vec<Pixels> {
        let mut random = ChaCha8Rng::seed_from_u64(!self.seed);
        let mut one = |stops: &f64| {
            let levels = radiance.mapv(|r| {
                let x = r * stops.exp2();
                let normal: f64 = StandardNormal.sample(&mut random);
                (x + (SHOT * x + READ).sqrt() * normal).clamp(0.0, 1.0)
            });
            if self.deep {
                Pixels::U16(levels.mapv(|x| (65535.0 * x).round() as u16))
            } else {
                Pixels::U8(levels.mapv(|x| (255.0 * x).round() as u8))
            }
        };
        self.stops.iter().map(&mut one).collect()
    }

    /// Any codes at all, whether or not one scene could give them.
    fn any_frames(&self) -> Vec<Pixels> {
        let mut random = ChaCha8Rng::seed_from_u64(self.seed);
        let telling = [f32::NAN, f32::INFINITY, -1.0, 0.0, 1.0, 1e30, 1e-30, 0.3];
        let mut one = |_: &f64| match self.seed % 3 {
            0 => Pixels::U8(Array3::from_shape_simple_fn(self.shape, || random.random())),
            1 => Pixels::U16(Array3::from_shape_simple_fn(self.shape, || random.random())),
            _ => Pixels::F32(Array3::from_shape_simple_fn(self.shape, || {
                telling[random.random_range(0..telling.len())]
            })),
        };
        self.stops.iter().map(&mut one).collect()
    }
}

fn bracket(pixels: Vec<Pixels>, stops: &[f64], reference: usize) -> Bracket {
    let one = |(pixels, stops): (Pixels, &f64)| {
        let mut frame = frame(Array3::zeros((1, 1, 1)), stops.exp2());
        frame.exposure.used.value = *stops;
        frame.picture.pixels = pixels;
        frame
    };
    Bracket::new(
        "drawn",
        pixels.into_iter().zip(stops).map(one).collect(),
        reference,
    )
}

/// A linear response and the noise of [`Drawn::frames`], rounding included.
fn known(bracket: &Bracket) -> (Response, Noise) {
    let pixels = &bracket.frames[0].picture.pixels;
    let eight = matches!(pixels, Pixels::U8(_));
    let channels = pixels.dim().2;
    let model = NoiseModel {
        shot: SHOT,
        read_variance: READ,
        code_variance: if eight { 1.0 / 12.0 } else { 0.0 },
    };
    let curve = ResponseCurve::linear(if eight { 256 } else { 4096 }, 1.0);
    let response = Response {
        method: ResponseMethod::Linear,
        curves: vec![curve; channels],
        residual_stops: 0.0,
        samples: 0,
    };
    let noise = Noise {
        channels: vec![model; channels],
        groups: 9,
        source: NoiseSource::Measured,
    };
    (response, noise)
}

fn merged(bracket: &Bracket) -> RadianceMap {
    let (response, noise) = known(bracket);
    Merger::new(bracket, &response, &noise).whole()
}

/// Light of a sample; `None` where it is clipped.
fn light(pixels: &Pixels, at: (usize, usize, usize), factor: f64) -> Option<f64> {
    let level = f64::from(pixels.level(at.0, at.1, at.2));
    (level < 1.0).then_some(level / factor)
}

/// Light and exposure of a place in every frame.
fn samples(bracket: &Bracket, at: (usize, usize, usize)) -> Vec<(Option<f64>, f64)> {
    let one = |(j, f): (usize, &Frame)| {
        let factor = bracket.relative_exposure(j);
        (light(&f.picture.pixels, at, factor), factor)
    };
    bracket.frames.iter().enumerate().map(one).collect()
}

/// The slow twin of one pixel: the inverse-variance mean with weights at the mean itself, found by going round (the maximum of
/// likelihood of Aguerrebere, Delon, Gousseau and Muse 2014, but for the term of the variance's own slope). `None` where a frame
/// is within a tenth of being left out, at its clip level or at its floor.
fn twin(lights: &[(Option<f64>, f64)]) -> Option<(f64, f64)> {
    let last = lights.len() - 1;
    let variance = |r: f64, f: f64| (SHOT * r * f + READ) / (f * f);
    let (mut mean, mut deviation) = (lights[0].0?, 0.0);
    for _ in 0..50 {
        let (mut sum, mut total) = (0.0, 0.0);
        for (j, &(light, factor)) in lights.iter().enumerate() {
            let reach = 3.0 * variance(mean, factor).sqrt() * factor;
            let (top, floor) = (mean * factor + reach, mean * factor - reach);
            let edge =
                (j > 0 && (top - 1.0).abs() < 0.1) || (j < last && floor.abs() < 0.1 * reach);
            let out = (j > 0 && top > 1.0) || (j < last && floor < 0.0);
            match light {
                _ if edge => return None,
                Some(light) if !out => {
                    sum += light / variance(mean, factor);
                    total += 1.0 / variance(mean, factor);
                }
                _ => {}
            }
        }
        if total == 0.0 {
            return None;
        }
        (mean, deviation) = ((sum / total).max(0.0), total.sqrt().recip());
    }
    Some((mean, deviation))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    /// A reference with 2^k times the exposure multiplies every radiance and its uncertainty by 2^k, since what clips the
    /// reference is the unit: to the bit, but for black pixels, which the table of weights keeps at 2^-24 of the unit. Exposures
    /// that are all twice as long change nothing.
    #[test]
    fn twice_the_time_is_half_the_radiance(drawn in drawn(), other in any::<prop::sample::Index>(), longer in -3i32..4) {
        let frames = drawn.frames(&drawn.radiance(-6.0));
        let map = merged(&bracket(frames.clone(), &drawn.stops, drawn.reference));
        let all: Vec<f64> = drawn.stops.iter().map(|s| s + f64::from(longer)).collect();
        prop_assert!(merged(&bracket(frames.clone(), &all, drawn.reference)) == map);
        let other = other.index(drawn.stops.len());
        let scaled = merged(&bracket(frames, &drawn.stops, other));
        let factor = (drawn.stops[other] - drawn.stops[drawn.reference]).exp2() as f32;
        let parts = scaled.radiance.iter().zip(&scaled.statistical).zip(map.radiance.iter().zip(&map.statistical));
        for ((&a, &a_sigma), (&b, &b_sigma)) in parts {
            prop_assert!((a / factor - b).abs() <= 1e-5 * b_sigma, "{a} {b}");
            prop_assert!((a_sigma / factor - b_sigma).abs() <= 1e-5 * b_sigma, "{a_sigma} {b_sigma}");
        }
        prop_assert!(scaled.flags == map.flags);
    }

    /// A longer frame that is clipped everywhere adds nothing. To the bit in 8 bits; deep samples set the weights of the
    /// first estimate by the longest frame, which moves the mean by a small part of its uncertainty, except where a frame is about
    /// to be left out: there a little decides.
    #[test]
    fn a_frame_clipped_everywhere_adds_nothing(drawn in drawn()) {
        let mut stops = drawn.stops.clone();
        let longest = stops[stops.len() - 1] + 3.0;
        // All of it clips the frame to come by twice, but for its noise.
        let mut frames = drawn.frames(&drawn.radiance(1.0 - longest));
        let few = bracket(frames.clone(), &stops, drawn.reference);
        let map = merged(&few);
        frames.push(match frames[0] {
            Pixels::U8(_) => Pixels::U8(Array3::from_elem(drawn.shape, u8::MAX)),
            _ => Pixels::U16(Array3::from_elem(drawn.shape, u16::MAX)),
        });
        stops.push(longest);
        let more = merged(&bracket(frames, &stops, drawn.reference));
        for (at, &a) in map.radiance.indexed_iter() {
            let (b, sigma) = (more.radiance[at], map.statistical[at]);
            if !drawn.deep {
                prop_assert!(a == b, "{a} {b}");
            } else if twin(&samples(&few, at)).is_some() {
                prop_assert!((a - b).abs() <= 0.1 * sigma, "{a} {b} {sigma}");
            }
        }
        // Where all is clipped no frame leads, and the index says nothing.
        let all = flag::CLIPPED_IN_ALL;
        let kept = |f: u16| {
            let f = f & !flag::CLIPPED_IN_SOME;
            if f & all != 0 { f & 0xff } else { f }
        };
        for (at, &flags) in map.flags.indexed_iter() {
            let (flags, other) = (kept(flags), kept(more.flags[at]));
            prop_assert!(drawn.deep || flags == other, "{at:?}: {flags:#x} {other:#x}");
        }
    }

    /// In another order, sums are rounded otherwise, and a pixel between two cells of the table of weights may be weighted by either.
    #[test]
    fn the_order_of_frames_is_no_matter(drawn in drawn(), turn in any::<prop::sample::Index>()) {
        let frames = drawn.frames(&drawn.radiance(-6.0));
        let map = merged(&bracket(frames.clone(), &drawn.stops, drawn.reference));
        let count = frames.len();
        let turn = turn.index(count);
        let (mut frames, mut stops) = (frames, drawn.stops.clone());
        frames.rotate_left(turn);
        stops.rotate_left(turn);
        let turned = merged(&bracket(frames, &stops, (drawn.reference + count - turn) % count));
        for ((&a, &b), &sigma) in map.radiance.iter().zip(&turned.radiance).zip(&map.statistical) {
            prop_assert!((a - b).abs() <= 0.1 * sigma, "{a} {b} {sigma}");
        }
        let kept = |f: u16| f & flag::CLIPPED_IN_ALL;
        prop_assert!(map.flags.mapv(kept) == turned.flags.mapv(kept));
    }

    /// A mean with weights that are not negative lies among what it is the mean of. Where a shorter frame is clipped no longer one is
    /// believed that is within a stop of its own clip level; where nothing is left the highest bound stands.
    #[test]
    fn the_merge_lies_among_its_frames(drawn in drawn()) {
        let bracket = bracket(drawn.any_frames(), &drawn.stops, drawn.reference);
        let map = merged(&bracket);
        for (at, &value) in map.radiance.indexed_iter() {
            let (mut clipped, mut seen) = (false, Vec::new());
            for (light, exposure) in samples(&bracket, at) {
                match light {
                    None => clipped = true,
                    Some(light) if clipped && light * exposure >= 0.5 => {}
                    Some(light) => seen.push(light),
                }
            }
            let (low, high) = seen.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), &l| (a.min(l), b.max(l)));
            let value = f64::from(value);
            if seen.is_empty() {
                let bound = bracket.relative_exposure(0).recip();
                prop_assert!((value / bound - 1.0).abs() < 1e-6, "{value} {bound}");
            } else {
                let slack = 1e-5 * low.abs().max(high.abs());
                prop_assert!(value >= low - slack && value <= high + slack, "{value} not in {low}..{high}");
            }
        }
    }

    /// Whatever the codes, no stage leaves what is no number, and every pixel has an uncertainty.
    #[test]
    fn every_pixel_is_a_number_with_an_uncertainty(drawn in drawn()) {
        let map = merged(&bracket(drawn.any_frames(), &drawn.stops, drawn.reference));
        prop_assert!(map.radiance.iter().all(|r| r.is_finite()));
        prop_assert!(map.statistical.iter().all(|s| s.is_finite() && *s > 0.0));
        prop_assert!(map.systematic.iter().all(|s| (0.0..=1.0).contains(s)));
    }

    /// Rows by strips, channel by channel, on any number of threads: the same bits.
    #[test]
    fn strips_planes_and_threads_change_nothing(drawn in drawn(), cut in any::<prop::sample::Index>(), threads in 1usize..5) {
        let bracket = bracket(drawn.any_frames(), &drawn.stops, drawn.reference);
        let (response, noise) = known(&bracket);
        let merger = Merger::new(&bracket, &response, &noise);
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        let (map, rows) = (merger.whole(), drawn.shape.0);
        prop_assert!(pool.install(|| merger.whole()) == map);
        prop_assert!(merger.planes(0..rows).map() == map);
        let cut = cut.index(rows);
        for range in [0..cut, cut..rows] {
            let strip = pool.install(|| merger.rows(range.clone()));
            prop_assert!(strip.radiance == map.radiance.slice(s![range.clone(), .., ..]));
            prop_assert!(strip.statistical == map.statistical.slice(s![range.clone(), .., ..]));
            prop_assert!(strip.systematic == map.systematic.slice(s![range.clone(), .., ..]));
            prop_assert!(strip.flags == map.flags.slice(s![range, ..]));
        }
    }

    /// Deep samples against the slow twin, where the light is twenty of its uncertainties: a tenth of the standard uncertainty apart
    /// at most, which weights looked up by sixteenths of an octave at a first estimate leave, and uncertainties to a sixteenth.
    #[test]
    fn the_merge_is_its_slow_twin(drawn in drawn()) {
        let drawn = Drawn { deep: true, ..drawn };
        let bracket = bracket(drawn.frames(&drawn.radiance(-6.0)), &drawn.stops, drawn.reference);
        let map = merged(&bracket);
        let mut compared = 0;
        for (at, &value) in map.radiance.indexed_iter() {
            let Some((mean, deviation)) = twin(&samples(&bracket, at)) else {
                continue;
            };
            if mean < 20.0 * deviation {
                continue;
            }
            let stated = f64::from(map.statistical[at]);
            prop_assert!((f64::from(value) - mean).abs() <= 0.1 * deviation, "{value} {mean} {deviation}");
            prop_assert!((stated / deviation - 1.0).abs() <= 1.0 / 16.0, "{stated} {deviation}");
            compared += 1;
        }
        // A draw without such a place does not count as a case.
        prop_assume!(compared > 0);
    }
}
