//! Single pictures of a wedge from the simulated camera: steps counted against a count made here, ranges by known densities against
//! the closed form, and their intervals.
//!
//! The count made here knows what the program does not: the places of the patches and the camera's response. Of the middle half of
//! every patch the codes of the file, as another library decodes them, are taken back through that response; two neighbours are
//! resolved when their means differ by at least the root mean square of their deviations, in the right order, and neither has more
//! than 1 % of codes 254 and 255.
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use stopspan_core::model::{Bracket, Frame, ResponseCurve};
use stopspan_core::raster::{Pixels, Quad};
use stopspan_core::results::{Limit, LinearLight, PictureKind};
use stopspan_core::units::Estimate;
use stopspan_formats::staged::Outputs;
use stopspan_frames::{Overrides, clip_levels, load_lone};
use stopspan_measure::WedgeRequest;
use stopspan_measure::lone::{KnownLight, LoneInput, LoneMeasurement, measure_lone};
use stopspan_measure::range::closed_form;
use stopspan_simulate::scene::ScenePlan;
use stopspan_simulate::scene::wedge::WedgePlan;
use stopspan_simulate::{
    Camera, CameraCurve, FileKind, FramePlan, Scenario, Sensor, WedgeTruth, capture, write_scenario,
};

/// Exposure at every 8-bit code by the true response, by bisection.
fn true_exposures(response: &CameraCurve) -> Vec<f64> {
    let of = |code: usize| {
        let (mut low, mut high) = (0.0, 1.0);
        for _ in 0..60 {
            let middle = (low + high) / 2.0;
            if response.level(middle) < code as f64 / 255.0 {
                low = middle;
            } else {
                high = middle;
            }
        }
        (low + high) / 2.0
    };
    (0..256).map(of).collect()
}

/// Mean, deviation, and share of codes 254 and 255, of the middle half of a patch.
fn middle(codes: &image::RgbImage, patch: &Quad, exposures: &[f64]) -> (f64, f64, f64) {
    let ends = |of: fn(&stopspan_core::raster::Point) -> f64| {
        let all = patch.iter().map(of);
        let (low, high) = all.fold((f64::INFINITY, 0.0f64), |(l, h), v| (l.min(v), h.max(v)));
        let (centre, half) = ((low + high) / 2.0, (high - low) / 4.0);
        (centre - half) as u32..(centre + half) as u32
    };
    let (columns, rows) = (ends(|p| p.x), ends(|p| p.y));
    let all: Vec<u8> = rows
        .flat_map(|r| columns.clone().map(move |c| (c, r)))
        .map(|(c, r)| codes.get_pixel(c, r).0[1])
        .collect();
    let n = all.len() as f64;
    let light = || all.iter().map(|c| exposures[usize::from(*c)]);
    let mean = light().sum::<f64>() / n;
    let deviation = (light().map(|v| (v - mean).powi(2)).sum::<f64>() / n).sqrt();
    let clipped = all.iter().filter(|c| **c >= 254).count() as f64 / n;
    (mean, deviation, clipped)
}

/// Steps resolved, by the codes of the file and the true response.
fn counted(codes: &image::RgbImage, wedge: &WedgeTruth, response: &CameraCurve) -> usize {
    let exposures = true_exposures(response);
    let patches = wedge.patches.iter().map(|p| middle(codes, p, &exposures));
    let patches: Vec<(f64, f64, f64)> = patches.collect();
    let resolved = patches.windows(2).filter(|w| {
        let noise = ((w[0].1.powi(2) + w[1].1.powi(2)) / 2.0).sqrt();
        w[0].0 - w[1].0 >= noise && w[0].0 > w[1].0 && w[0].2.max(w[1].2) <= 0.01
    });
    1 + resolved.count()
}

const RESPONSES: [CameraCurve; 4] = [
    CameraCurve::Srgb,
    CameraCurve::Gamma { exponent: 2.0 },
    CameraCurve::Contrast { amount: 0.35 },
    CameraCurve::Contrast { amount: 0.7 },
];

/// A camera and a shot of it, drawn at random.
fn single(index: u64) -> Scenario {
    let mut rng = ChaCha8Rng::seed_from_u64(900 + index);
    let steps = rng.random_range(14..=24);
    Scenario {
        name: "single".into(),
        seed: index,
        size: (1400, 420),
        scene: ScenePlan::Chart {
            wedge: WedgePlan {
                steps,
                first_density: 0.05,
                density_step: 3.0 / steps as f64,
                centre: (0.5, 0.5),
                length: 0.9,
                height: 0.09,
                turn: rng.random_range(-1.5..1.5),
                ..WedgePlan::default()
            },
            grey: 0.15,
        },
        camera: Camera::default(),
        sensor: Sensor {
            full_well: rng.random_range(2000.0..12000.0),
            read_noise: rng.random_range(3.0..15.0),
            response: RESPONSES[(index % 4) as usize].clone(),
            blur: 0.6,
            ..Sensor::default()
        },
        frames: vec![FramePlan {
            name: "shot".into(),
            ev: rng.random_range(-1.5..1.0),
            speed: None,
            aperture: None,
            exposure_error: 0.0,
            pose: Default::default(),
            disc: None,
        }],
        camera_hdr: false,
        files: FileKind::Jpeg {
            quality: rng.random_range(92..=98),
            half_chroma: index.is_multiple_of(2),
        },
        truth_map: false,
        raw_beside: false,
    }
}

fn measured(
    alone: &Bracket,
    known: Option<&KnownLight>,
    request: &WedgeRequest,
) -> LoneMeasurement {
    let clips = clip_levels(alone);
    let input = LoneInput {
        kind: PictureKind::Frame,
        picture: &alone.frames[0].picture,
        clips: &clips,
        known,
        request,
    };
    measure_lone(input).unwrap().expect("no wedge was found")
}

/// Counts of one picture: made here; by the program, the response assumed; by the program, the response known.
fn counts(index: u64) -> [usize; 3] {
    let scenario = single(index);
    let folder = tempfile::tempdir().unwrap();
    let policy = Outputs {
        overwrite: false,
        inputs: Vec::new(),
    };
    let (_, truth) = write_scenario(&scenario, folder.path(), &policy).unwrap();
    let file = folder.path().join(&truth.frames[0].file);
    let codes = image::open(&file).unwrap().to_rgb8();
    let wedge = truth.wedge.unwrap();
    let alone = load_lone(&file, &Overrides::default()).unwrap();
    let response = &scenario.sensor.response;
    let known = KnownLight {
        curves: vec![ResponseCurve {
            exposure: true_exposures(response),
            ..ResponseCurve::linear(256, 1.0)
        }],
        span_relative: 0.0,
        light: LinearLight::Saved {
            file: "truth".into(),
        },
    };
    let request = WedgeRequest::default();
    let count = |known| {
        measured(&alone, known, &request)
            .measured
            .levels
            .unwrap()
            .noise
    };
    [
        counted(&codes, &wedge, response),
        count(None),
        count(Some(&known)),
    ]
}

/// Of `all`, how many pairs are equal, and the largest difference.
fn agreement(all: &[[usize; 3]], a: usize, b: usize) -> (usize, usize) {
    let equal = all.iter().filter(|c| c[a] == c[b]).count();
    let largest = all.iter().map(|c| c[a].abs_diff(c[b])).max();
    (equal, largest.unwrap_or(0))
}

#[test]
fn steps_of_single_pictures_are_those_counted_here() {
    let all: Vec<[usize; 3]> = (0..12).map(counts).collect();
    let (equal, largest) = agreement(&all, 0, 1);
    assert!(equal >= 11 && largest <= 1, "{equal} of 12: {all:?}");
}

/// A hundred pictures, four responses: the count against that made here, and what the assumed response does to it.
#[test]
#[ignore = "takes a minute"]
fn study_of_a_hundred_single_pictures() {
    let all: Vec<[usize; 3]> = (0..100).map(counts).collect();
    for (a, b, what) in [
        (0, 1, "assumed against counted here"),
        (0, 2, "known against counted here"),
        (1, 2, "assumed against known"),
    ] {
        println!(
            "{what}: {:?} (equal, largest difference)",
            agreement(&all, a, b)
        );
    }
    for (curve, response) in RESPONSES.iter().enumerate() {
        let of: Vec<[usize; 3]> = all.iter().skip(curve).step_by(4).copied().collect();
        println!("{response:?}: {:?}", agreement(&of, 1, 2));
    }
    let (equal, largest) = agreement(&all, 0, 1);
    assert!(equal >= 95 && largest <= 1, "{equal} of 100: {all:?}");
}

/// Responses of the cameras whose ranges are measured: the transfer function of sRGB, a power, and S-curves over it.
const CURVES: [CameraCurve; 4] = [
    CameraCurve::Srgb,
    CameraCurve::Gamma { exponent: 2.0 },
    CameraCurve::Contrast { amount: 0.35 },
    CameraCurve::Contrast { amount: 0.55 },
];
const STEPS: usize = 31;
/// Side of a step of the drawn wedge, pixels.
const SIDE: usize = 48;
const FULL_WELL: f64 = 7000.0;
const READ: f64 = 12.0;

/// A row of steps of density 0.1 apart, taken by a camera of 16-bit levels; the lightest is some two times as light as what clips, so
/// that the clip level lies anywhere between two steps, evenly in density.
fn row_of_steps(response: &CameraCurve, seed: u64) -> Bracket {
    let lightest = 2.0 * 10f32.powf(0.1 * ChaCha8Rng::seed_from_u64(seed).random::<f32>());
    let light = ndarray::Array3::from_shape_fn((SIDE, SIDE * STEPS, 3), |(_, c, _)| {
        lightest * 10f32.powf(-0.1 * (c / SIDE) as f32)
    });
    let sensor = Sensor {
        full_well: FULL_WELL,
        read_noise: READ,
        adc_bits: 16,
        black: 2000.0,
        response: response.clone(),
        output_bits: 16,
        ..Sensor::default()
    };
    let pixels: Pixels = capture(&light, 1.0, &sensor, seed).unwrap();
    let frame = Frame::of_pixels("row.png", pixels, Estimate::new(0.0, 0.0));
    Bracket::new("row", vec![frame], 0)
}

fn with_densities(densities: &[f64], uncertainty: f64) -> WedgeRequest {
    let words: Vec<String> = densities.iter().map(|d| d.to_string()).collect();
    let (right, bottom) = ((SIDE * STEPS) as f64, SIDE as f64);
    let corners = [(0.0, 0.0), (right, 0.0), (right, bottom), (0.0, bottom)];
    WedgeRequest {
        corners: Some(corners.map(|(x, y)| stopspan_core::raster::Point { x, y })),
        grid: Some((1, STEPS)),
        densities: Some(words.join(",")),
        density_uncertainty: Some(uncertainty),
        ..WedgeRequest::default()
    }
}

/// The closed form: photon and read noise, and the converter's rounding (black of 2000 codes of 65535).
fn truth(snr: f64) -> f64 {
    let electrons_per_code = FULL_WELL / (65535.0 - 2000.0);
    let variance = READ * READ + electrons_per_code * electrons_per_code / 12.0;
    closed_form(FULL_WELL, variance, &[1.0], snr).unwrap()
}

fn true_densities() -> Vec<f64> {
    (0..STEPS).map(|i| 0.1 * i as f64).collect()
}

#[test]
fn ranges_by_known_densities_meet_the_closed_form() {
    for (seed, response) in (0..8).zip(CURVES.iter().cycle()) {
        let alone = row_of_steps(response, seed);
        let got = measured(&alone, None, &with_densities(&true_densities(), 0.01));
        assert!(
            matches!(got.light, LinearLight::Wedge { .. }),
            "{:?}",
            got.light
        );
        for snr in [1.0, 3.0, 10.0, 40.0] {
            let usable = got.measured.at_snr(snr).unwrap();
            assert_ne!(usable.limited_by, Limit::Wedge, "{response:?} at SNR {snr}");
            let (stops, expected) = (usable.stops.unwrap(), truth(snr));
            let near = (stops - expected).abs() < 0.1;
            assert!(near, "{response:?} at SNR {snr}: {stops:.3}, {expected:.3}");
        }
    }
}

/// How many of `trials` 95 % intervals hold the truth, and the mean error in stops, by SNR; the densities stated are the true ones with an error of their stated
/// standard uncertainty, drawn anew each time.
fn covered(trials: u64) -> Vec<(f64, usize, f64)> {
    let snrs = [1.0, 3.0, 10.0, 40.0];
    let mut inside = snrs.map(|snr| (snr, 0, 0.0));
    for trial in 0..trials {
        let mut rng = ChaCha8Rng::seed_from_u64(7000 + trial);
        let response = &CURVES[(trial % 4) as usize];
        let alone = row_of_steps(response, 100 + trial);
        // A list that does not rise is refused; one in some two hundred draws.
        let stated = loop {
            let drawn: Vec<f64> = true_densities()
                .iter()
                .map(|d| d + 0.02 * rng.sample::<f64, _>(StandardNormal))
                .collect();
            if drawn.windows(2).all(|w| w[0] < w[1]) {
                break drawn;
            }
        };
        let got = measured(&alone, None, &with_densities(&stated, 0.02));
        for (snr, count, error) in &mut inside {
            let usable = got.measured.at_snr(*snr).unwrap();
            if let (Some(low), Some(high)) = (usable.low95, usable.high95) {
                *count += usize::from((low..=high).contains(&truth(*snr)));
                *error += (usable.stops.unwrap() - truth(*snr)) / trials as f64;
            }
        }
    }
    inside.to_vec()
}

/// Of 20 intervals, 16 hold the truth with a probability of 99.7 % where 95 % of all do (binomial).
#[test]
fn intervals_by_known_densities_hold_the_truth() {
    for (snr, inside, error) in covered(20) {
        assert!(
            inside >= 16,
            "SNR {snr}: {inside} of 20, mean error {error}"
        );
    }
}

/// 93 to 97 % of the intervals hold the truth (400 in December 2026: 94.5, 94.0, 94.2 and 94.8 % at SNR 1, 3, 10 and 40, mean errors under
/// 0.005 stop).
#[test]
#[ignore = "takes minutes"]
fn study_of_300_intervals_by_known_densities() {
    let all = covered(300);
    println!("SNR, intervals that hold the truth, mean error: {all:?}");
    for (snr, inside, _) in all {
        let share = inside as f64 / 300.0;
        assert!((0.93..=0.97).contains(&share), "SNR {snr}: {share}");
    }
}
