//! Raw brackets of known gain and read noise: how near the merge comes to what the photons allow.
use ndarray::{Array3, s};
use stopspan_core::model::Response;
use stopspan_core::model::{Bracket, Frame};
use stopspan_core::model::{Format, Raw};
use stopspan_core::model::{NoiseModel, RadianceMap};
use stopspan_core::raster::{Mosaic, Pixels};
use stopspan_core::units::Estimate;
use stopspan_frames as frames;
use stopspan_merge::{Merger, noise, noise_profile};
use stopspan_response as response;
use stopspan_response::ResponseRequest;
use stopspan_simulate::{Sensor, Shot, raw_codes};

const COLUMNS: usize = 640;
const ROWS: usize = 480;
/// Levels of light, one a column of the picture's grid, half a stop apart and in no order, so that no step is large.
const LEVELS: usize = 32;

/// 30000 e-, 4 e-, 14 bits.
fn sensor() -> Sensor {
    Sensor {
        full_well: 30_000.0,
        read_noise: 4.0,
        adc_bits: 14,
        black: 512.0,
        ..Sensor::default()
    }
}

/// Light of a level (1 saturates the reference frame): from a quarter of an electron up to past the shortest frame's clip.
fn light_of(level: usize) -> f64 {
    0.25 / 30_000.0 * (0.6 * level as f64).exp2()
}

fn level_at(column: usize) -> usize {
    (column * LEVELS / COLUMNS * 11) % LEVELS
}

struct Made {
    map: RadianceMap,
    noise: Vec<NoiseModel>,
    stated: Vec<NoiseModel>,
    response: Response,
    findings: Vec<stopspan_core::finding::Finding>,
}

/// A raw frame of 16-bit codes; `black` and `white` are the codes that the file states.
fn frame(file: String, codes: &Array3<u16>, exposure: f64, (black, white): (f64, f64)) -> Frame {
    let sensor = sensor();
    let dark = sensor.variance(0.0) / sensor.full_well.powi(2);
    let level = |code: f64| code * 4.0 / 65535.0;
    let exposure = Estimate::new(exposure.log2(), 0.01);
    let mut frame = Frame::of_pixels(file, Pixels::U16(codes.mapv(|c| 4 * c)), exposure);
    frame.picture.format = Format::Dng;
    frame.picture.raw = Some(Box::new(Raw {
        mosaic: Some(Mosaic::new([0, 1, 1, 2]).unwrap()),
        black: vec![level(black); 4],
        white: vec![level(white); 4],
        code: level(1.0),
        noise_profile: vec![(1.0 / sensor.full_well, dark)],
        ..Raw::default()
    }));
    frame
}

/// A raw bracket behind a mosaic, split into its planes; `levels` are the black and white codes that the files state.
fn bracket(exposures: &[f64], seed: u64, levels: (f64, f64)) -> Bracket {
    let light = Array3::from_shape_fn((ROWS, COLUMNS, 1), |(_, c, _)| light_of(level_at(c)) as f32);
    let frames = exposures.iter().enumerate().map(|(i, &exposure)| {
        let shot = Shot {
            relative_exposure: exposure,
            seed: seed * 10 + i as u64,
            first_row: 0,
        };
        let codes = raw_codes(&light, &shot, &sensor()).unwrap();
        frame(format!("{i}.dng"), &codes, exposure, levels)
    });
    let reference = exposures.iter().position(|&e| e == 1.0).unwrap();
    let mut bracket = Bracket::new("raw", frames.collect(), reference);
    frames::split(&mut bracket);
    bracket
}

/// A bracket merged as the pipeline does; `levels` are the black and white codes that the files state.
fn merged(exposures: &[f64], seed: u64, levels: (f64, f64)) -> Made {
    let mut bracket = bracket(exposures, seed, levels);
    let clips = frames::clip_levels(&bracket);
    let found = response::recover(
        &bracket,
        &clips,
        frames::linear_scales(&bracket).as_ref(),
        ResponseRequest::Linear,
    )
    .unwrap();
    for (frame, exposure) in bracket.frames.iter_mut().zip(&found.exposures) {
        frame.exposure = *exposure;
    }
    let (noise, _) = noise::estimate(&bracket, &found.response, &clips);
    assert_eq!(noise.source, stopspan_core::model::NoiseSource::Measured);
    let stated = noise_profile::stated(&bracket, &found.response).unwrap();
    Made {
        map: Merger::new(&bracket, &found.response, &noise).whole(),
        noise: noise.channels,
        stated,
        response: found.response,
        findings: found.findings,
    }
}

/// Electrons of the reference frame per unit of radiance: the curve puts 1 at its clip level, a little below saturation.
fn electrons_per_radiance(made: &Made) -> f64 {
    let curve = &made.response.curves[1];
    let white = 16383.0 * 4.0 / 65535.0;
    sensor().full_well / curve.exposure_at(white)
}

/// What one level came to.
struct Found {
    light: f64,
    bias: f64,
    bias_uncertainty: f64,
    efficiency: f64,
    coverage: f64,
}

/// Statistics of a level over all planes against the Cramer-Rao bound of the frames that are not clipped there, v = read noise
/// and rounding: `1 / sum t^2 / (x t + v)` (Aguerrebere, Delon, Gousseau and Muse 2014, with the variance taken as known).
fn statistics(made: &Made, level: usize, exposures: &[f64]) -> Found {
    let sensor = sensor();
    let scale = electrons_per_radiance(made);
    let truth = light_of(level) * sensor.full_well;
    let v = sensor.variance(0.0);
    let information: f64 = exposures
        .iter()
        .filter(|&&t| truth * t + 4.5 * (truth * t + v).sqrt() < sensor.full_well)
        .map(|t| t * t / (truth * t + v))
        .sum();
    let columns =
        (0..COLUMNS / 2).filter(|c| level_at(2 * c) == level && level_at(2 * c + 1) == level);
    let (mut n, mut sum, mut square, mut within) = (0.0, 0.0, 0.0, 0.0);
    for column in columns {
        let radiance = made.map.radiance.slice(s![.., column, ..]);
        let sigma = made.map.statistical.slice(s![.., column, ..]);
        for (&value, &sigma) in radiance.iter().zip(&sigma) {
            let error = f64::from(value) * scale - truth;
            n += 1.0;
            sum += error;
            square += error * error;
            within += f64::from(u8::from(error.abs() < f64::from(sigma) * scale));
        }
    }
    let mean = sum / n;
    let variance = square / n - mean * mean;
    Found {
        light: truth,
        bias: mean / truth,
        bias_uncertainty: (variance / n).sqrt() / truth,
        efficiency: 1.0 / information / variance,
        coverage: within / n,
    }
}

/// Efficiency against the bound, bias and coverage from 1 electron to clip with noise estimated from the bracket itself. The
/// bounds are those asked of the merge (0.98, 0.5 % above SNR 2, 66 to 70 %), plus three standard deviations of each figure
/// for one level; all levels together keep them as they are.
#[test]
fn the_merge_comes_up_to_the_bound_from_one_electron_to_clip() {
    let exposures = [0.25, 1.0, 4.0];
    let made = merged(&exposures, 1, (512.0, 16383.0));
    let v = sensor().variance(0.0);
    let (mut efficiencies, mut levels) = (0.0, 0.0);
    for level in 4..LEVELS {
        let f = statistics(&made, level, &exposures);
        if f.light * 0.25 > 0.95 * sensor().full_well || f.light < 1.0 {
            continue;
        }
        let information: f64 = exposures.iter().map(|t| t * t / (f.light * t + v)).sum();
        let snr = f.light * information.sqrt();
        println!(
            "{:9.1} e-: bias {:+.2} % ({:.2}), efficiency {:.3}, coverage {:.3}",
            f.light,
            100.0 * f.bias,
            100.0 * f.bias_uncertainty,
            f.efficiency,
            f.coverage
        );
        // 9600 samples a level: 1.4 % of the variance, 0.5 % of the coverage.
        assert!(f.efficiency > 0.98 - 0.043, "{}", f.light);
        assert!(
            (0.66 - 0.015..0.70 + 0.015).contains(&f.coverage),
            "{}",
            f.light
        );
        assert!(
            snr < 2.0 || f.bias.abs() < 0.005 + 3.0 * f.bias_uncertainty,
            "{}",
            f.light
        );
        efficiencies += f.efficiency;
        levels += 1.0;
    }
    println!(
        "mean efficiency {:.4} over {levels} levels",
        efficiencies / levels
    );
    assert!(levels >= 20.0 && efficiencies / levels > 0.98);
}

/// Gain within 5 %, read noise within 15 % of the sensor's own, from one bracket of three; the profile the file states is the
/// sensor's and agrees.
#[test]
fn gain_and_read_noise_come_from_three_frames() {
    for seed in [2, 3, 4] {
        let mut made = merged(&[0.25, 1.0, 4.0], seed, (512.0, 16383.0));
        let per_radiance = electrons_per_radiance(&made);
        let sensor = sensor();
        for (model, stated) in made.noise.iter().zip(&made.stated) {
            let gain = model.shot * per_radiance;
            let read = model.read_variance.sqrt() * per_radiance;
            let wanted = sensor.variance(0.0).sqrt();
            println!("seed {seed}: gain {gain:.4}, read noise {read:.3} e- of {wanted:.3}");
            assert!((gain - 1.0).abs() < 0.05, "{gain}");
            assert!((read / wanted - 1.0).abs() < 0.15, "{read}");
            assert!((stated.shot * per_radiance - 1.0).abs() < 0.01);
            let told = stated.read_variance.sqrt() * per_radiance;
            assert!((told / wanted - 1.0).abs() < 0.01);
        }
        let noise = stopspan_core::model::Noise {
            channels: std::mem::take(&mut made.noise),
            groups: 100,
            source: stopspan_core::model::NoiseSource::Measured,
        };
        let agrees = noise_profile::difference(&noise, &made.stated);
        assert_eq!(agrees, None);
        let doubled: Vec<NoiseModel> = made
            .stated
            .iter()
            .map(|m| NoiseModel {
                shot: 2.0 * m.shot,
                ..*m
            })
            .collect();
        let differs = noise_profile::difference(&noise, &doubled);
        assert!(differs.is_some());
    }
}

/// Levels that the file states falsely are found from the pixels, said, and do no harm to the map.
#[test]
fn lying_black_and_white_levels_are_found_out() {
    use stopspan_core::finding::Finding;
    let exposures = [0.25, 1.0, 4.0];
    let honest = merged(&exposures, 5, (512.0, 16383.0));
    assert!(!honest.findings.iter().any(|f| matches!(
        f,
        Finding::BlackLevelWrong { .. } | Finding::WhiteLevelWrong { .. }
    )));
    for (black, white) in [
        (0.0, 16383.0),
        (600.0, 16383.0),
        (512.0, 15000.0),
        (512.0, 16300.0 + 3000.0),
    ] {
        let made = merged(&exposures, 5, (black, white));
        let lies = made.findings.iter().filter_map(|f| match f {
            Finding::BlackLevelWrong { used_codes, .. } => Some(("black", *used_codes)),
            Finding::WhiteLevelWrong { used_codes, .. } => Some(("white", *used_codes)),
            _ => None,
        });
        let lies: Vec<_> = lies.collect();
        assert_eq!(lies.len(), 4, "{black} {white}: {:?}", made.findings);
        for (what, used) in lies {
            let (truth, tolerance) = match what {
                "black" => (512.0, 1.0),
                _ => (16383.0, 25.0),
            };
            assert!((used - truth).abs() < tolerance, "{what}: {used}");
        }
        for level in [12, 18, 24] {
            let f = statistics(&made, level, &exposures);
            assert!(
                f.bias.abs() < 0.01 + 3.0 * f.bias_uncertainty,
                "{black} {white}: {} {}",
                f.light,
                f.bias
            );
        }
    }
}

/// All light with many samples: each bracket has 9600 a level. With these three frames SNR 2 is reached at 2.45 electrons.
fn no_bias_from_the_lowest_light_to_clip(brackets: u64) {
    let exposures = [0.25, 1.0, 4.0];
    let mut sums = vec![[0.0; 4]; LEVELS];
    for seed in 100..100 + brackets {
        let made = merged(&exposures, seed, (512.0, 16383.0));
        for (level, sum) in sums.iter_mut().enumerate() {
            let f = statistics(&made, level, &exposures);
            let parts = [
                f.bias,
                f.bias_uncertainty.powi(2),
                1.0 / f.efficiency,
                f.coverage,
            ];
            sum.iter_mut().zip(parts).for_each(|(s, p)| *s += p);
        }
    }
    let (v, n) = (sensor().variance(0.0), brackets as f64);
    // What chance does to the figures of one level: a variance of 9600 n samples, a share of 0.68 of them.
    let chance = [2.0, 0.68 * 0.32].map(|a: f64| (a / (9600.0 * n)).sqrt());
    let mut judged = Vec::new();
    for (level, sum) in sums.iter().enumerate() {
        let light = light_of(level) * sensor().full_well;
        if light * 0.25 > 0.95 * sensor().full_well {
            continue;
        }
        let information: f64 = exposures.iter().map(|t| t * t / (light * t + v)).sum();
        let snr = light * information.sqrt();
        let (bias, uncertainty) = (sum[0] / n, sum[1].sqrt() / n);
        let (efficiency, coverage) = (n / sum[2], sum[3] / n);
        println!(
            "{light:9.2} e-, SNR {snr:.2}: bias {:+.3} % ({:.3}), efficiency {efficiency:.4} ({:.4}), coverage {coverage:.4} ({:.4})",
            100.0 * bias,
            100.0 * uncertainty,
            chance[0],
            chance[1],
        );
        if light < 1.0 {
            continue;
        }
        assert!(
            efficiency > 0.98 - 2.0 * chance[0],
            "{light} e-: {efficiency}"
        );
        assert!((0.66..0.70).contains(&coverage), "{light} e-: {coverage}");
        assert!(
            snr < 2.0 || bias.abs() < 0.005 + 2.0 * uncertainty,
            "{light} e-: {bias}"
        );
        judged.push((efficiency, coverage));
    }
    assert!(judged.len() >= 23, "{}", judged.len());
    let mean =
        |of: fn(&(f64, f64)) -> f64| judged.iter().map(of).sum::<f64>() / judged.len() as f64;
    let (efficiency, coverage) = (mean(|j| j.0), mean(|j| j.1));
    println!("means over levels: efficiency {efficiency:.4}, coverage {coverage:.4}");
    assert!(efficiency > 0.98 && (0.66..0.70).contains(&coverage));
}

#[test]
fn many_brackets_show_no_bias_from_the_lowest_light_to_clip() {
    no_bias_from_the_lowest_light_to_clip(8);
}

/// The same with chance of 0.3 % in the efficiency and a tenth of a per cent in the coverage.
#[test]
#[ignore = "a study: half a minute"]
fn study_of_bias_in_24_brackets() {
    no_bias_from_the_lowest_light_to_clip(24);
}
