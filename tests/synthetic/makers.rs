//! Maps merged from frames that went through a maker's processing: sensor channels that overlap, a colour matrix, saturation, noise
//! reduction, sharpening, black lifted or blocked. One curve a channel is then only nearly true.
//!
//! The truth is the scene.
use super::disagreement::{coded, errors, share_within};
use super::texture::Texture;
use ndarray::Array3;
use stopspan::{Merged, ResponseRequest, merge, recover, register};
use stopspan_core::model::{Bracket, Frame};
use stopspan_core::raster::{Pixels, Transform};
use stopspan_simulate::{CameraCurve, Processing, Sensor, Sharpening, Shot, capture_light};

const SIZE: (usize, usize) = (600, 800);
/// Exposures of the frames, stops.
pub(super) const STOPS: [f64; 3] = [-1.0, 0.0, 1.0];
/// From an overlapping sensor to IEC 61966-2-1 primaries; of the size that published matrices of cameras have (common practice, no
/// source).
const OVERLAPPING: [[f64; 3]; 3] = [
    [1.62, -0.48, -0.14],
    [-0.22, 1.48, -0.26],
    [0.02, -0.52, 1.50],
];

/// A camera with a contrasty curve; `black` in codes, above 0 lifted, below 0 blocked.
pub(super) fn camera(saturation: f64, sharpening: f64, black: f64) -> Sensor {
    Sensor {
        full_well: 9000.0,
        white_balance: [1.9, 1.0, 1.5],
        response: CameraCurve::Contrast { amount: 0.55 },
        noise_reduction: 0.6,
        sharpening: Sharpening {
            amount: sharpening,
            radius: 1.0,
        },
        processing: Processing {
            colour_matrix: OVERLAPPING,
            saturation,
            black_codes: black,
        },
        ..Sensor::default()
    }
}

/// Relative radiance: texture over eight stops about a tenth of saturation, slowly changing in colour.
fn scene(seed: u64) -> Array3<f64> {
    let plane = |seed: u64, highest: f64, stops: f64| {
        Texture::new(seed, 60, highest, stops).seen(&Transform::IDENTITY, SIZE)
    };
    let light = plane(seed, 0.3, 1.6);
    let colours: Vec<_> = (1..4).map(|k| plane(seed + k, 0.02, 0.25)).collect();
    Array3::from_shape_fn((SIZE.0, SIZE.1, 3), |(r, c, k)| {
        (light[[r, c]] + colours[k][[r, c]] - 3.3).exp2()
    })
}

/// The scene as the camera encodes it before compression.
fn encoded(scene: &Array3<f64>, sensor: &Sensor, stops: f64, seed: u64) -> Array3<u8> {
    let light = scene.mapv(|x| x as f32);
    let shot = Shot {
        relative_exposure: stops.exp2(),
        seed,
        first_row: 0,
    };
    let Pixels::U8(codes) = capture_light(&light, &shot, sensor).unwrap() else {
        panic!("8 bits");
    };
    codes
}

/// Frame `j` of the bracket as its JPEG file shows it.
fn frame(scene: &Array3<f64>, sensor: &Sensor, seed: u64, j: usize) -> Frame {
    let codes = encoded(scene, sensor, STOPS[j], 100 * seed + j as u64);
    coded(&codes, STOPS[j])
}

/// Codes of frame `j` of the bracket.
pub(super) fn codes(scene: &Array3<f64>, sensor: &Sensor, seed: u64, j: usize) -> Array3<u8> {
    let Pixels::U8(codes) = frame(scene, sensor, seed, j).picture.pixels else {
        panic!("8 bits");
    };
    codes
}

pub(super) fn merged(scene: &Array3<f64>, sensor: &Sensor, seed: u64) -> Merged {
    let frames = (0..STOPS.len()).map(|j| frame(scene, sensor, seed, j));
    let bracket = Bracket::new("made", frames.collect(), 1);
    merge(recover(register(bracket), ResponseRequest::Fit).unwrap()).unwrap()
}

/// Share of errors within 1 and within 1.96 standard uncertainties, and of means of 16 x 16 pixels within 1.96.
fn coverage(sensor: &Sensor, seed: u64) -> [f64; 3] {
    let truth = scene(seed);
    let (pixels, areas) = errors(&merged(&truth, sensor, seed), &truth);
    assert!(areas.len() > 1000, "{} areas", areas.len());
    let [one, two] = [1.0, 1.96].map(|limit| share_within(&pixels, limit));
    [one, two, share_within(&areas, 1.96)]
}

/// A normal error lies within one standard uncertainty in 0.68 of all cases and within 1.96 in 0.95.
#[test]
fn stated_uncertainty_covers_what_makers_do() {
    let cameras = [
        ("neutral", camera(1.05, 0.3, 0.0)),
        ("punchy", camera(1.25, 0.8, -3.0)),
        ("lifted", camera(1.1, 0.4, 14.0)),
    ];
    for (k, (name, sensor)) in cameras.iter().enumerate() {
        let [one, two, means] = coverage(sensor, 40 + k as u64);
        println!("{name}: {one:.3} {two:.3}, means of 16 x 16 {means:.3}");
        assert!((0.60..=0.80).contains(&one), "{name}: {one}");
        assert!(two >= 0.90, "{name}: {two}");
        assert!(means >= 0.85, "{name}: {means}");
    }
}

/// Without noise, noise reduction and sharpening the processing has a closed form: the matrix undoes what the sensor's overlapping
/// channels do to a colour, saturation moves channels away from their mean, black is lifted or blocked last.
#[test]
fn processing_follows_its_closed_form() {
    let curve = CameraCurve::Contrast { amount: 0.55 };
    let colours = [
        [0.2, 0.2, 0.2],
        [0.3, 0.22, 0.15],
        [0.1, 0.25, 0.2],
        [0.0; 3],
    ];
    for (saturation, black) in [(1.0, 0.0), (1.3, 0.0), (1.0, 14.0), (1.2, -3.0)] {
        let sensor = Sensor {
            full_well: 1e7,
            read_noise: 0.0,
            adc_bits: 16,
            noise_reduction: 0.0,
            ..camera(saturation, 0.0, black)
        };
        for colour in colours {
            let light = Array3::from_shape_fn((16, 16, 3), |(_, _, k)| colour[k] as f32);
            let shot = Shot {
                relative_exposure: 1.0,
                seed: 7,
                first_row: 0,
            };
            let Pixels::U8(codes) = capture_light(&light, &shot, &sensor).unwrap() else {
                panic!("8 bits");
            };
            let levels = colour.map(|x| curve.level(x));
            let mean = levels.iter().sum::<f64>() / 3.0;
            let factor = 1.0 + (saturation - 1.0) * (1.0 - (2.0 * mean - 1.0).abs());
            for (k, level) in levels.into_iter().enumerate() {
                let saturated = mean + factor * (level - mean);
                let wanted = if black < 0.0 {
                    255.0 * (255.0 * saturated + black).max(0.0) / (255.0 + black)
                } else {
                    black + saturated * (255.0 - black)
                };
                let got = f64::from(codes[[8, 8, k]]);
                let case =
                    format!("{colour:?}, channel {k}, saturation {saturation}, black {black}");
                assert!(
                    (got - wanted).abs() < 1.0,
                    "{case}: {got}, {wanted:.1} expected"
                );
            }
        }
    }
}

#[test]
fn a_matrix_that_colours_grey_is_refused() {
    let mut sensor = camera(1.0, 0.0, 0.0);
    assert!(sensor.check().is_ok());
    sensor.processing.colour_matrix[1][1] = 1.4;
    let said = sensor.check().unwrap_err().to_string();
    assert!(
        said.contains("colour_matrix") && said.contains("not to 1"),
        "{said}"
    );
}
