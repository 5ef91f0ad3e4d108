//! Default shots of two simulated cameras in the same light: the difference in light, in stops, against the exposures that were
//! simulated, and how often its interval holds it.
//!
//! Closed form: light on the sensor is exposure times scene, so that the difference is log2 of the ratio of the exposures, less what
//! the lens of each loses at the place of the wedge.
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use stopspan_core::model::{Bracket, Frame};
use stopspan_core::raster::Point;
use stopspan_core::results::{PictureKind, SamePlaces};
use stopspan_core::units::{Estimate, ExposureSettings};
use stopspan_frames::clip_levels;
use stopspan_measure::lone::{LoneInput, measure_lone};
use stopspan_measure::{Place, Shot, WedgeRequest, compare_shots};
use stopspan_simulate::{Sensor, capture};

const STEPS: usize = 15;
/// Side of a step, pixels.
const SIDE: usize = 40;

/// A shot of a row of steps 0.15 density apart, at an exposure and with a loss of light in density, by a camera of 8 bits.
fn shot(name: &str, exposure: f64, loss: f64, rng: &mut ChaCha8Rng) -> Shot {
    let scale = exposure * 10f64.powf(-loss);
    let light = ndarray::Array3::from_shape_fn((SIDE, SIDE * STEPS, 3), |(_, c, _)| {
        (scale * 10f64.powf(-0.15 * (c / SIDE) as f64)) as f32
    });
    let sensor = Sensor {
        full_well: rng.random_range(800.0..8000.0),
        read_noise: rng.random_range(3.0..20.0),
        ..Sensor::default()
    };
    let pixels = capture(&light, 1.0, &sensor, rng.random()).unwrap();
    let frame = Frame::of_pixels(name, pixels, Estimate::new(0.0, 0.0));
    let alone = Bracket::new(name, vec![frame], 0);
    let (right, bottom) = ((SIDE * STEPS) as f64, SIDE as f64);
    let corners = [(0.0, 0.0), (right, 0.0), (right, bottom), (0.0, bottom)];
    let request = WedgeRequest {
        corners: Some(corners.map(|(x, y)| Point { x, y })),
        grid: Some((1, STEPS)),
        ..WedgeRequest::default()
    };
    let input = LoneInput {
        kind: PictureKind::Frame,
        picture: &alone.frames[0].picture,
        clips: &clip_levels(&alone),
        known: None,
        request: &request,
    };
    let patches = measure_lone(input).unwrap().unwrap().measured.patches;
    Shot {
        camera: name.into(),
        file: format!("{name}.png"),
        settings: ExposureSettings::default(),
        places: patches.iter().filter_map(Place::of_patch).collect(),
    }
}

/// Of 80 intervals, 71 or more hold the truth with a probability of 99 % where 95 % of all do (binomial). Lenses lose 0 to 0.02 density
/// at the place of the wedge, evenly distributed, which nothing in the pictures shows.
#[test]
fn intervals_of_light_hold_the_exposures() {
    const TRIALS: u64 = 80;
    let (mut inside, mut error, mut wide) = (0, 0.0, 0.0);
    for trial in 0..TRIALS {
        let mut rng = ChaCha8Rng::seed_from_u64(300 + trial);
        let exposures = [rng.random_range(0.4..0.9), rng.random_range(0.4..0.9)];
        let shots = ["A", "B"]
            .into_iter()
            .zip(exposures)
            .map(|(name, exposure)| {
                let loss = rng.random_range(0.0..0.02);
                shot(name, exposure, loss, &mut rng)
            });
        let shots: Vec<Shot> = shots.collect();
        let found = compare_shots(&shots, SamePlaces::Wedge).unwrap();
        let light = found.shots[1].light_stops.unwrap();
        let truth = (exposures[1] / exposures[0]).log2();
        let (low, high) = (light.low95.unwrap(), light.high95.unwrap());
        inside += u64::from((low..=high).contains(&truth));
        error += (light.value - truth) / TRIALS as f64;
        wide += (high - low) / TRIALS as f64;
    }
    println!("{inside} of {TRIALS}, mean error {error:.4}, mean width {wide:.4}");
    assert!(inside >= 71, "{inside} of {TRIALS}");
    assert!(error.abs() < 0.01, "mean error {error}");
    assert!(wide < 0.15, "mean width {wide}");
}
