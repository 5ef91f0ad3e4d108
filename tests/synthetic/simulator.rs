//! The simulator against closed forms: EMVA 1288's linear model, photon transfer, response standards, threads.
use ndarray::Array3;
use stopspan_core::raster::Pixels;
use stopspan_simulate::{CameraCurve, Sensor, capture};

/// A linear camera whose 16-bit samples carry every 12-bit converter code, with enough offset to keep the noise whole.
fn linear_sensor() -> Sensor {
    Sensor {
        response: CameraCurve::Linear,
        output_bits: 16,
        ..Sensor::default()
    }
}

/// Electrons of every sample of a flat frame, black taken off by the encoding.
fn electrons(pixels: &Pixels, sensor: &Sensor) -> Vec<f64> {
    let Pixels::U16(codes) = pixels else {
        panic!("a 16-bit sensor gives 16-bit pixels");
    };
    codes
        .iter()
        .map(|&c| f64::from(c) / 65535.0 * sensor.full_well)
        .collect()
}

fn mean_and_variance(samples: &[f64]) -> (f64, f64) {
    let n = samples.len() as f64;
    let mean = samples.iter().sum::<f64>() / n;
    let variance = samples.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / (n - 1.0);
    (mean, variance)
}

fn flat(rows: usize, columns: usize, radiance: f64) -> Array3<f32> {
    Array3::from_elem((rows, columns, 1), radiance as f32)
}

#[test]
fn flat_patches_have_the_mean_and_variance_of_the_linear_model() {
    // EMVA 1288 (linear camera model): variance = mean + read^2 + 1 / (12 K^2) electrons squared.
    let sensor = linear_sensor();
    for (electrons_wanted, seed) in [(60.0, 1), (400.0, 2), (2500.0, 3), (6000.0, 4)] {
        let scene = flat(200, 200, electrons_wanted / sensor.full_well);
        let pixels = capture(&scene, 1.0, &sensor, seed).unwrap();
        let (mean, variance) = mean_and_variance(&electrons(&pixels, &sensor));
        let k = (4095.0 - 64.0) / 8000.0;
        let model = electrons_wanted + 16.0 + 1.0 / (12.0 * k * k);
        let n = 40_000.0f64;
        assert!(
            (mean - electrons_wanted).abs() < 3.0 * (model / n).sqrt(),
            "{electrons_wanted} e-: mean {mean}"
        );
        assert!(
            (variance / model - 1.0).abs() < 3.0 * (2.0 / n).sqrt(),
            "{electrons_wanted} e-: variance {variance}, model {model}"
        );
        assert!((sensor.variance(electrons_wanted) / model - 1.0).abs() < 1e-12);
    }
}

#[test]
fn photon_transfer_returns_the_gain() {
    // EMVA 1288: in converter codes, variance rises with the mean by K, fitted up to 70 % of saturation.
    let sensor = linear_sensor();
    let points: Vec<(f64, f64)> = (1..=12)
        .map(|i| {
            let scene = flat(150, 150, 0.7 * f64::from(i) / 12.0);
            let pixels = capture(&scene, 1.0, &sensor, 40 + i as u64).unwrap();
            let codes: Vec<f64> = electrons(&pixels, &sensor)
                .iter()
                .map(|e| e * sensor.gain())
                .collect();
            mean_and_variance(&codes)
        })
        .collect();
    // Weighted straight line; the variance of a sample variance is 2 v^2 / (n - 1).
    let weights: Vec<f64> = points
        .iter()
        .map(|p| 22_499.0 / (2.0 * p.1 * p.1))
        .collect();
    let total: f64 = weights.iter().sum();
    let centre = |f: fn(&(f64, f64)) -> f64| {
        points
            .iter()
            .zip(&weights)
            .map(|(p, w)| w * f(p))
            .sum::<f64>()
            / total
    };
    let (x0, y0) = (centre(|p| p.0), centre(|p| p.1));
    let sums = points.iter().zip(&weights).fold((0.0, 0.0), |s, (p, w)| {
        (
            s.0 + w * (p.0 - x0) * (p.1 - y0),
            s.1 + w * (p.0 - x0).powi(2),
        )
    });
    let (slope, error) = (sums.0 / sums.1, 1.0 / sums.1.sqrt());
    assert!(
        (slope - sensor.gain()).abs() < 3.0 * error,
        "slope {slope} +- {error}, gain {}",
        sensor.gain()
    );
    assert!(
        error / slope < 0.02,
        "the test must be able to see a 6 % error"
    );
}

#[test]
fn thermal_electrons_and_pattern_noise_enter_as_described() {
    let sensor = Sensor {
        dark_electrons: 300.0,
        prnu: 0.02,
        ..linear_sensor()
    };
    let scene = flat(200, 200, 0.25);
    let pixels = capture(&scene, 1.0, &sensor, 5).unwrap();
    let (mean, variance) = mean_and_variance(&electrons(&pixels, &sensor));
    let k = sensor.gain();
    let model = 2300.0 + 16.0 + 1.0 / (12.0 * k * k) + (0.02f64 * 2000.0).powi(2);
    assert!(
        (mean - 2300.0).abs() < 3.0 * (model / 40_000.0).sqrt(),
        "mean {mean}"
    );
    assert!(
        (variance / model - 1.0).abs() < 3.0 * (2.0f64 / 40_000.0).sqrt(),
        "variance {variance}, model {model}"
    );
    // The pattern is the camera's: the difference of two frames does not hold it.
    let second = electrons(&capture(&scene, 1.0, &sensor, 6).unwrap(), &sensor);
    let first = electrons(&pixels, &sensor);
    let difference: Vec<f64> = first.iter().zip(&second).map(|(a, b)| a - b).collect();
    let (_, variance) = mean_and_variance(&difference);
    let temporal = 2.0 * (model - 1600.0);
    assert!((variance / temporal - 1.0).abs() < 3.0 * (2.0f64 / 40_000.0).sqrt());
}

#[test]
fn full_wells_clip_at_the_top_code() {
    let pixels = capture(&flat(20, 20, 1.3), 1.0, &Sensor::default(), 1).unwrap();
    let Pixels::U8(codes) = pixels else {
        panic!("8 bits by default")
    };
    let full = codes.iter().filter(|&&c| c == 255).count();
    assert_eq!(
        full, 400,
        "1.3 x 8000 e- lies 22 standard deviations above a full well"
    );
}

#[test]
fn every_response_runs_from_0_to_1_and_never_falls() {
    let table = vec![0.0, 0.5, 0.7, 0.7, 1.0];
    let all = [
        CameraCurve::Srgb,
        CameraCurve::Gamma { exponent: 1.8 },
        CameraCurve::Contrast { amount: 0.4 },
        CameraCurve::Shoulder { strength: 30.0 },
        CameraCurve::Linear,
        CameraCurve::Table { levels: table },
    ];
    for response in all {
        response.check().unwrap();
        assert_eq!(response.level(0.0), 0.0, "{response:?}");
        assert!((response.level(1.0) - 1.0).abs() < 1e-12, "{response:?}");
        let levels: Vec<f64> = (0..=4096)
            .map(|i| response.level(f64::from(i) / 4096.0))
            .collect();
        assert!(levels.windows(2).all(|w| w[1] >= w[0]), "{response:?}");
    }
}

#[test]
fn named_responses_match_their_formulas() {
    let contrast = CameraCurve::Contrast { amount: 0.4 }.level(0.18);
    let y: f64 = 0.461_356_129_5;
    assert!((contrast - (0.6 * y + 0.4 * (3.0 * y * y - 2.0 * y.powi(3)))).abs() < 1e-8);
    let shoulder = CameraCurve::Shoulder { strength: 30.0 }.level(0.18);
    assert!((shoulder - (1.0f64 + 5.4).ln() / 31.0f64.ln()).abs() < 1e-12);
    assert!(
        (CameraCurve::Gamma { exponent: 1.8 }.level(0.5) - 0.5f64.powf(1.0 / 1.8)).abs() < 1e-12
    );
    assert!(
        (CameraCurve::Table {
            levels: vec![0.0, 0.4, 1.0]
        }
        .level(0.75)
            - 0.7)
            .abs()
            < 1e-12
    );
}

#[test]
fn one_thread_and_four_give_the_same_bits() {
    let scene = Array3::from_shape_fn((64, 80, 3), |(r, c, k)| {
        ((r * c + 7 * k) % 97) as f32 / 60.0
    });
    let sensor = Sensor {
        glare: 0.01,
        blur: 0.7,
        prnu: 0.01,
        vignetting: 0.2,
        noise_reduction: 1.0,
        ..Sensor::default()
    };
    let run = |threads| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        pool.install(|| capture(&scene, 0.8, &sensor, 77).unwrap())
    };
    assert_eq!(run(1), run(4));
}

#[test]
fn numbers_out_of_range_are_refused_by_name() {
    let refused = |sensor: Sensor| {
        capture(&flat(2, 2, 0.1), 1.0, &sensor, 0)
            .unwrap_err()
            .to_string()
    };
    let broken = Sensor {
        full_well: f64::NAN,
        ..Sensor::default()
    };
    assert!(refused(broken).starts_with("sensor.full_well"));
    let broken = Sensor {
        output_bits: 12,
        ..Sensor::default()
    };
    assert!(refused(broken).starts_with("sensor.output_bits"));
    let broken = Sensor {
        response: CameraCurve::Table {
            levels: vec![0.0, 0.7, 0.6, 1.0],
        },
        ..Sensor::default()
    };
    assert!(refused(broken).starts_with("sensor.response"));
    assert!(capture(&flat(2, 2, f64::INFINITY), 1.0, &Sensor::default(), 0).is_err());
    assert!(capture(&flat(2, 2, 0.1), 0.0, &Sensor::default(), 0).is_err());
}
