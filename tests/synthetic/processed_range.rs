//! Usable ranges of brackets that went through a maker's processing, against the range that brute force finds, and how often their
//! intervals hold it.
//!
//! The truth stands on its own: each camera takes even areas of known light, an eighth of a stop apart, again and again. At each light
//! `snr = L (d mean / d L) / deviation`, with the mean and the deviation over all pixels of the area in all pictures: of the file's codes
//! for a frame, of the map's radiance for a merge. The range goes from the light that brings the shortest frame's mean code to where codes
//! count as clipped, down to where a straight line through the logarithms of these ratios within three quarters of a stop
//! crosses the threshold.
use super::disagreement::coded_at;
use super::makers::camera;
use super::texture::Texture;
use ndarray::{Array2, Array3, s};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use rayon::prelude::*;
use stopspan::{
    Merged, ResponseRequest, WedgeRequest, find_wedge, measure, merge, recover, register,
};
use stopspan_core::model::{Bracket, flag};
use stopspan_core::raster::{Pixels, Point, Transform};
use stopspan_core::results::UsableStops;
use stopspan_simulate::{CameraCurve, Sensor, Shot, capture_light};

const SIZE: (usize, usize) = (600, 1200);
const STOPS: [f64; 3] = [-1.0, 0.0, 1.0];
/// Standard uncertainty of an exposure as `coded_at` states it, stops; real exposures are off by draws of it.
const EXPOSURE: f64 = 0.01;
const QUALITY: u8 = 92;
/// Code from which a frame counts as clipped.
const CLIPPED: f64 = 254.0;
/// Least variance of a file's codes, squared codes: EMVA 1288 puts it in place of less, which rounding hides.
const LEAST: f64 = 0.24;
const SNRS: [f64; 4] = [1.0, 3.0, 10.0, 40.0];
const STEPS: usize = 21;
/// Width of a step; top, left and height of the wedge, pixels.
const STEP: usize = 50;
const WEDGE: (usize, usize, usize) = (200, 75, 160);
/// Areas of known light: side in pixels, number of columns and rows, and lights in a stop.
const AREA: usize = 72;
const AREAS: (usize, usize) = (16, 7);
const PER_STOP: f64 = 8.0;
/// Pixels at the edge of an area that are left out.
const EDGE: usize = 16;

/// Grey texture about a tenth of saturation, as a card around a wedge has it.
fn card(seed: u64) -> Array2<f64> {
    let texture = Texture::new(seed, 60, 0.3, 1.0).seen(&Transform::IDENTITY, SIZE);
    texture.mapv(|t| (t - 3.5).exp2())
}

fn grey(light: &Array2<f64>) -> Array3<f32> {
    Array3::from_shape_fn((SIZE.0, SIZE.1, 3), |(r, c, _)| light[[r, c]] as f32)
}

/// A wedge of 21 steps of 0.15 D before a card; its lightest step is at `lightest` of saturation in the middle frame.
fn wedge(lightest: f64, seed: u64) -> Array3<f32> {
    let mut light = card(seed);
    let (top, left, height) = WEDGE;
    let border = s![
        top - 20..top + height + 20,
        left - 20..left + STEP * STEPS + 20
    ];
    light.slice_mut(border).fill(0.01);
    for step in 0..STEPS {
        let from = left + STEP * step;
        let patch = s![top..top + height, from..from + STEP];
        light
            .slice_mut(patch)
            .fill(lightest * 10f64.powf(-0.15 * step as f64));
    }
    grey(&light)
}

fn corners() -> [Point; 4] {
    let (top, left) = (WEDGE.0 as f64, WEDGE.1 as f64);
    let (bottom, right) = (top + WEDGE.2 as f64, left + (STEP * STEPS) as f64);
    [(left, top), (right, top), (right, bottom), (left, bottom)].map(|(x, y)| Point { x, y })
}

/// Row and column of the first pixel of an area of known light.
fn corner_of(area: usize) -> (usize, usize) {
    (40 + area / AREAS.0 * AREA, 20 + area % AREAS.0 * AREA)
}

/// Light of an area relative to what saturates the middle frame.
fn light_of(area: usize) -> f64 {
    (1.0 - area as f64 / PER_STOP).exp2()
}

fn known_areas(seed: u64) -> Array3<f32> {
    let mut light = card(seed);
    for area in 0..AREAS.0 * AREAS.1 {
        let (r, c) = corner_of(area);
        light
            .slice_mut(s![r..r + AREA, c..c + AREA])
            .fill(light_of(area));
    }
    grey(&light)
}

/// A bracket whose exposures are off by `errors` stops, merged.
fn taken(scene: &Array3<f32>, sensor: &Sensor, seed: u64, errors: [f64; 3]) -> Merged {
    let frame = |(j, &stops): (usize, &f64)| {
        let shot = Shot {
            relative_exposure: (stops + errors[j]).exp2(),
            seed: 100 * seed + j as u64,
            first_row: 0,
        };
        let Pixels::U8(codes) = capture_light(scene, &shot, sensor).unwrap() else {
            panic!("8 bits");
        };
        coded_at(&codes, stops, QUALITY)
    };
    let frames = STOPS.iter().enumerate().map(frame).collect();
    let bracket = Bracket::new("made", frames, 1);
    merge(recover(register(bracket), ResponseRequest::Fit).unwrap()).unwrap()
}

/// Sums of one area over repeated pictures.
#[derive(Clone, Copy, Default)]
struct Sums {
    n: f64,
    sum: f64,
    squares: f64,
}

impl Sums {
    fn add(&mut self, value: f64) {
        self.n += 1.0;
        self.sum += value;
        self.squares += value * value;
    }

    fn join(&mut self, other: &Sums) {
        self.n += other.n;
        self.sum += other.sum;
        self.squares += other.squares;
    }

    fn mean(&self) -> f64 {
        self.sum / self.n
    }

    fn deviation(&self) -> f64 {
        (self.squares / self.n - self.mean().powi(2))
            .max(0.0)
            .sqrt()
    }
}

/// Sums of all areas in one picture of them: codes of the middle frame, and radiance of the merge.
fn areas(sensor: &Sensor, index: u64) -> [Vec<Sums>; 2] {
    let found = taken(&known_areas(900 + index), sensor, 90_000 + index, [0.0; 3]);
    let Pixels::U8(codes) = &found.frames.bracket.frames[1].picture.pixels else {
        panic!("8 bits");
    };
    let mut sums = [0; 2].map(|_| vec![Sums::default(); AREAS.0 * AREAS.1]);
    let [of_codes, of_map] = &mut sums;
    for (area, (of_codes, of_map)) in of_codes.iter_mut().zip(of_map).enumerate() {
        let (top, left) = corner_of(area);
        for i in 0..(AREA - 2 * EDGE).pow(2) {
            let r = top + EDGE + i / (AREA - 2 * EDGE);
            let c = left + EDGE + i % (AREA - 2 * EDGE);
            of_codes.add(f64::from(codes[[r, c, 1]]));
            if found.map.flags[[r, c]] & flag::CLIPPED_IN_ALL == 0 {
                of_map.add(f64::from(found.map.radiance[[r, c, 1]]));
            }
        }
    }
    sums
}

/// True ranges in stops at each SNR: of the middle frame, and of the merge.
fn truth(sensor: &Sensor, pictures: u64) -> [[[f64; 2]; 4]; 2] {
    let all: Vec<_> = (0..pictures)
        .into_par_iter()
        .map(|k| areas(sensor, k))
        .collect();
    let total = [0, 1].map(|kind| {
        let mut total = vec![Sums::default(); AREAS.0 * AREAS.1];
        for one in &all {
            total
                .iter_mut()
                .zip(&one[kind])
                .for_each(|(t, s)| t.join(s));
        }
        total
    });
    let clipped = clipped_from(&total[0]);
    let least = [LEAST.sqrt(), 0.0];
    [(0, clipped), (1, 2.0 * clipped)]
        .map(|(kind, top)| SNRS.map(|s| range(&total[kind], (s, least[kind]), top)))
}

/// Light at which the middle frame's mean code counts as clipped, between two areas.
fn clipped_from(areas: &[Sums]) -> f64 {
    let i = areas.iter().position(|a| a.mean() < CLIPPED).unwrap();
    let (above, below) = (areas[i - 1].mean(), areas[i].mean());
    light_of(i - 1) * 2f64.powf((CLIPPED - above) / (above - below) / PER_STOP)
}

/// Stops from `top` down to where the SNR falls below the threshold, at least and at most: from 0 to the lightest area without clipping
/// if it does so above that, NaN if below all areas, else equal. Deviations are `least` or more.
fn range(areas: &[Sums], (snr, least): (f64, f64), top: f64) -> [f64; 2] {
    let ratio = |i: usize| {
        let (lighter, darker) = (areas.get(i.checked_sub(2)?)?, areas.get(i + 2)?);
        let slope = (lighter.mean() - darker.mean()) / (4.0 / PER_STOP * std::f64::consts::LN_2);
        let ratio = slope / areas[i].deviation().max(least);
        let seen = ratio.is_finite() && ratio > 0.0 && light_of(i) < 0.6 * top;
        seen.then(|| ratio.ln())
    };
    let smooth = |x: f64| {
        let near = (0..areas.len()).filter(|&i| (i as f64 - x).abs() <= 6.0);
        let points: Vec<_> = near
            .filter_map(|i| Some((i as f64 - x, ratio(i)?)))
            .collect();
        let mean = |of: &dyn Fn(&(f64, f64)) -> f64| {
            points.iter().map(of).sum::<f64>() / points.len() as f64
        };
        let (x, y) = (mean(&|p| p.0), mean(&|p| p.1));
        let slope = mean(&|p| (p.0 - x) * (p.1 - y)) / mean(&|p| (p.0 - x).powi(2));
        (points.len() >= 7).then_some(y - slope * x)
    };
    let places = (0..10 * areas.len()).map(|k| k as f64 / 10.0);
    let mut seen = places.filter_map(|x| Some((x, smooth(x)?))).enumerate();
    let crossed = seen.find(|(_, (_, value))| *value < snr.ln());
    crossed.map_or([f64::NAN; 2], |(before, (x, _))| {
        let stops = (top / light_of(0)).log2() + (x - 0.05) / PER_STOP;
        [if before == 0 { 0.0 } else { stops }, stops]
    })
}

/// Ranges of the middle frame and of the merge of one bracket, and what its exposures' errors add to the merge's: those of the
/// shortest frame move its top, and those of all frames, by their light, its dark end.
fn figures(sensor: &Sensor, seed: u64) -> [(Vec<UsableStops>, f64); 2] {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let lightest = 0.5 * 10f64.powf(-0.15 * rng.random::<f64>());
    let errors = [0; 3].map(|_| EXPOSURE * rng.sample::<f64, _>(StandardNormal));
    let found = taken(&wedge(lightest, seed), sensor, seed, errors);
    let request = WedgeRequest {
        corners: Some(corners()),
        grid: Some((1, STEPS)),
        ..WedgeRequest::default()
    };
    let located = find_wedge(&found.map, &request).unwrap();
    let black = Array3::zeros(found.map.radiance.dim());
    let measured = measure(&found, &black, located).pictures;
    let light: f64 = STOPS.iter().zip(errors).map(|(s, e)| s.exp2() * e).sum();
    let moved = light / STOPS.iter().map(|s| s.exp2()).sum::<f64>() - errors[0];
    [
        (measured.frames[1].usable_stops.clone(), 0.0),
        (measured.merge.unwrap().usable_stops, moved),
    ]
}

/// Makers' styles: sharpening, black in codes, and the tone curve, with noise reduction and a colour matrix in all of them. The third is the
/// punchy camera that a wedge is taken with elsewhere.
fn cameras() -> [Sensor; 6] {
    let srgb = |sensor: Sensor| Sensor {
        response: CameraCurve::Srgb,
        ..sensor
    };
    let small = |sensor: Sensor| Sensor {
        full_well: 4500.0,
        response: CameraCurve::Contrast { amount: 0.35 },
        ..sensor
    };
    [
        camera(1.05, 0.3, 0.0),
        camera(1.1, 0.4, 14.0),
        camera(1.25, 0.8, -3.0),
        srgb(camera(1.25, 0.8, -3.0)),
        small(camera(1.2, 1.0, 2.0)),
        srgb(camera(1.05, 0.3, 0.0)),
    ]
}

/// Intervals of one kind of picture at one SNR: how many were given, how many hold the truth, and the sums of errors and of their squares.
#[derive(Clone, Copy, Default)]
struct Tally {
    given: f64,
    held: f64,
    errors: Sums,
    widths: f64,
}

impl Tally {
    fn add(&mut self, figure: &UsableStops, [least, most]: [f64; 2]) {
        let (Some(stops), Some(low), Some(high)) = (figure.stops, figure.low95, figure.high95)
        else {
            return;
        };
        self.given += 1.0;
        self.held += f64::from(u8::from(low <= most && least <= high));
        self.errors.add(stops - stops.max(least).min(most));
        self.widths += high - low;
    }

    fn join(&mut self, other: &Tally) {
        self.given += other.given;
        self.held += other.held;
        self.widths += other.widths;
        self.errors.join(&other.errors);
    }

    fn said(&self) -> String {
        let bias = self.errors.mean();
        let spread = self.errors.deviation();
        let half = self.widths / self.given / 2.0;
        let share = 100.0 * self.held / self.given;
        format!(
            "{} given, {share:.1} % hold, bias {bias:+.3}, spread {spread:.3}, half width {half:.3}",
            self.given
        )
    }
}

/// Tallies by kind of picture and SNR of `brackets` of one camera.
fn tallied(sensor: &Sensor, brackets: u64, pictures: u64) -> [[Tally; 4]; 2] {
    let truth = truth(sensor, pictures);
    let seeds = (0..brackets).into_par_iter();
    let all: Vec<_> = seeds.map(|k| figures(sensor, 500 + k)).collect();
    let mut out = [[Tally::default(); 4]; 2];
    for (kind, (tallies, truth)) in out.iter_mut().zip(truth).enumerate() {
        for (figures, moved) in all.iter().map(|bracket| &bracket[kind]) {
            for ((tally, figure), truth) in tallies.iter_mut().zip(figures).zip(truth) {
                tally.add(figure, truth.map(|t| t + moved));
            }
        }
    }
    out
}

fn study(brackets: u64, pictures: u64) -> [[Tally; 4]; 2] {
    let mut all = [[Tally::default(); 4]; 2];
    for (index, sensor) in cameras().iter().enumerate() {
        let found = tallied(sensor, brackets, pictures);
        for (kind, what) in ["frame", "merge"].iter().enumerate() {
            for (i, snr) in SNRS.iter().enumerate() {
                let one = &found[kind][i];
                if one.given > 0.0 {
                    println!("camera {index}, {what}, SNR {snr}: {}", one.said());
                }
                all[kind][i].join(one);
            }
        }
    }
    for (kind, what) in ["frame", "merge"].iter().enumerate() {
        for (i, snr) in SNRS.iter().enumerate() {
            if all[kind][i].given > 0.0 {
                println!("all cameras, {what}, SNR {snr}: {}", all[kind][i].said());
            }
        }
    }
    all
}

/// Per SNR and kind of picture, of all cameras together. In December 2026, 300 brackets, share of the intervals that hold the truth at SNR 3,
/// 10 and 40: frames 71 % of 149, 97.3 % of 300, 91.4 % of 256; merges 100 % of 214, 99.0 % of 300, 97.5 % of 277. Not all lie in 93 to 97 %,
/// so the study fails. `cargo test --release study_of_300_processed_brackets -- --ignored --nocapture`
#[test]
#[ignore = "300 brackets taken and merged take some minutes"]
fn study_of_300_processed_brackets() {
    for tally in study(50, 20).as_flattened() {
        let share = tally.held / tally.given;
        assert!(
            tally.given < 150.0 || (0.93..=0.97).contains(&share),
            "{share} of {}",
            tally.given
        );
    }
}
