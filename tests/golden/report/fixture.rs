//! A made-up bracket for the report's tests: numbers from a simple sensor formula, measured on nothing.
use crate::published::srgb::to_level;
use stopspan_core::finding::Finding;
use stopspan_core::model::NoiseModel;
use stopspan_core::model::{Closure, ExposureCheck, PairRatio};
use stopspan_core::model::{Exposure, ExposureSource};
use stopspan_core::model::{Response, ResponseCurve, ResponseMethod};
use stopspan_core::raster::Point;
use stopspan_core::results::{
    BracketReport, FrameEntry, MapSummary, NoiseSummary, NoiseTerm, OutputFile, Shift,
};
use stopspan_core::results::{
    JoinReason, Joined, LevelCounts, Limit, NormalisedStops, Pair, Patch, PictureKind,
    PictureMeasurement, UsableStops, VisualWhite,
};
use stopspan_core::units::{Estimate, ExposureSettings, ExposureTime, FNumber, IsoSpeed};
use stopspan_measure::levels::joined_because;

pub const STEPS: usize = 21;
const FULL_WELL: f64 = 8000.0;
const FLOOR: f64 = 9.318; // read noise and quantisation, electrons squared
pub const FILES: [&str; 3] = ["bench_half.jpg", "bench_nominal.jpg", "bench_double.jpg"];

pub fn density(step: usize) -> f64 {
    0.05 + 0.15 * (step - 1) as f64
}

/// Radiance of a step: 1 clips the nominal frame.
fn radiance(step: usize) -> f64 {
    1.9 * 10f64.powf(0.05 - density(step))
}

pub fn encoded(x: f64) -> f64 {
    255.0 * to_level(x.clamp(0.0, 1.0))
}

fn lightness(y: f64) -> f64 {
    let y = y.clamp(0.0, 1.0);
    if y > 0.008_856 {
        116.0 * y.cbrt() - 16.0
    } else {
        903.3 * y
    }
}

/// What a picture is made of: exposures relative to nominal, and what it is.
struct Made<'a> {
    kind: PictureKind,
    file: &'a str,
    times: &'a [f64],
    tone: f64,
}

fn patch(made: &Made, step: usize) -> Patch {
    let light = radiance(step);
    let used = made.times.iter().filter(|t| light * **t < 0.98);
    let information: f64 = used
        .map(|t| t * t / (light * t / FULL_WELL + FLOOR / FULL_WELL / FULL_WELL))
        .sum();
    let clipped = information == 0.0;
    let deviation = if clipped {
        1e-4
    } else {
        information.powf(-0.5)
    };
    let mean = if clipped { 1.0 / made.times[0] } else { light };
    let x = 40.0 * (step - 1) as f64;
    let corner = |x, y| Point { x, y };
    let code = encoded((light * made.times[0]).powf(made.tone));
    let has_codes = made.kind != PictureKind::Merge;
    Patch {
        step,
        density: Some(density(step)),
        corners: [
            corner(x + 4.0, 4.0),
            corner(x + 36.0, 4.0),
            corner(x + 36.0, 46.0),
            corner(x + 4.0, 46.0),
        ],
        size_px: [40.0, 50.0],
        guard_px: 10.0,
        pixels: 1344,
        effective_samples: 980.5,
        code: has_codes.then_some([code, code, code * 0.995]),
        code_deviation: has_codes.then_some(0.9),
        linear: mean,
        linear_deviation: deviation,
        block_deviation: (!step.is_multiple_of(5)).then_some(deviation * 1.1),
        snr: mean / deviation,
        clipped_share: if clipped { 1.0 } else { 0.0 },
        crushed_share: if code < 1.0 { 0.4 } else { 0.0 },
    }
}

fn pair(a: &Patch, b: &Patch) -> Pair {
    let rms = ((a.linear_deviation.powi(2) + b.linear_deviation.powi(2)) / 2.0).sqrt();
    let clipped = a.clipped_share > 0.01;
    let separation = if clipped {
        0.0
    } else {
        (a.linear - b.linear) / rms
    };
    let by_noise = !clipped && separation >= 1.0;
    let code_difference = a.code.zip(b.code).map(|(a, b)| a[1] - b[1]);
    let lightness_difference = lightness(a.linear) - lightness(b.linear);
    Pair {
        step: a.step,
        separation,
        block_separation: code_difference.map(|_| separation / 1.1),
        code_difference,
        lightness_difference,
        jnd_difference: 4.5 * lightness_difference,
        p_value: if clipped { 1.0 } else { 1e-9 },
        by_noise,
        by_block: code_difference.map(|_| by_noise && separation >= 1.1),
        by_code: code_difference.map(|d| d >= 1.0),
        by_visual: lightness_difference >= 1.0,
        by_mean: !clipped,
        reason: (!by_noise).then_some(match (clipped, a.crushed_share > 0.0) {
            (true, _) => JoinReason::Clipped,
            (_, true) => JoinReason::Crushed,
            _ => JoinReason::Noise,
        }),
        decided_by: if clipped { 1.0 } else { separation },
        limit: if clipped { 0.01 } else { 1.0 },
    }
}

fn levels(pairs: &[Pair]) -> LevelCounts {
    let count = |test: &dyn Fn(&Pair) -> bool| 1 + pairs.iter().filter(|p| test(p)).count();
    let optional =
        |by: &dyn Fn(&Pair) -> Option<bool>| by(&pairs[0]).map(|_| count(&|p| by(p) == Some(true)));
    let noise = count(&|p| p.by_noise);
    LevelCounts {
        noise,
        block: optional(&|p| p.by_block),
        code: optional(&|p| p.by_code),
        visual: count(&|p| p.by_visual),
        patch_mean: count(&|p| p.by_mean),
        longest_run: noise.saturating_sub(1).max(1),
        reversals: 0,
        steps: STEPS,
        chart_limited: noise == STEPS,
    }
}

/// Range at one SNR, from the formula of the sensor, with an interval and a limit that are made up.
fn usable(made: &Made, snr: f64) -> UsableStops {
    let information = |light: f64| -> f64 {
        let unit = FULL_WELL * light;
        made.times
            .iter()
            .map(|t| t * t * unit * unit / (unit * t + FLOOR))
            .sum()
    };
    let (mut low, mut high) = (1e-9, 1.0);
    for _ in 0..80 {
        let middle = f64::sqrt(low * high);
        if information(middle) < snr * snr {
            low = middle;
        } else {
            high = middle;
        }
    }
    let top = made.times.iter().copied().fold(f64::INFINITY, f64::min);
    let stops = (1.0 / top / high).log2();
    let limited_by = match (made.kind, snr == 1.0) {
        (PictureKind::Merge, true) => Limit::Wedge,
        (PictureKind::CameraHdr, true) => Limit::Compression,
        _ => Limit::Noise,
    };
    UsableStops {
        snr,
        stops: Some(stops),
        low95: Some(stops - 0.11 / snr.sqrt()),
        high95: Some(stops + 0.13 / snr.sqrt()),
        limited_by,
        seen_stops: Some(stops - 0.4),
        normalised: (snr < 40.0).then_some(NormalisedStops {
            pixels: 1.92,
            correlation: 1.0,
            stops: Some(stops + 0.45),
            low95: Some(stops + 0.45 - 0.11 / snr.sqrt()),
            high95: Some(stops + 0.45 + 0.13 / snr.sqrt()),
            limited_by,
        }),
    }
}

fn measured(made: &Made) -> PictureMeasurement {
    let patches: Vec<Patch> = (1..=STEPS).map(|s| patch(made, s)).collect();
    let pairs: Vec<Pair> = patches.windows(2).map(|w| pair(&w[0], &w[1])).collect();
    let joined = pairs
        .iter()
        .filter_map(|p| Some(Joined(p.step, p.step + 1, p.reason?)));
    let levels = levels(&pairs);
    let mut findings = Vec::new();
    if levels.chart_limited {
        findings.push(Finding::ChartLimited {
            picture: made.file.to_owned(),
        });
    }
    PictureMeasurement {
        kind: made.kind,
        file: made.file.to_owned(),
        levels: Some(levels),
        joined: joined.collect(),
        joined_because: joined_because(&pairs),
        usable_stops: [1.0, 3.0, 10.0, 40.0].map(|snr| usable(made, snr)).to_vec(),
        patches,
        pairs,
        visual_white: match made.kind {
            PictureKind::Merge => VisualWhite::LightestStep,
            _ => VisualWhite::FullScale,
        },
        display_white: 250.0,
        noise: Some(NoiseModel {
            shot: 1.0 / FULL_WELL,
            read_variance: FLOOR / FULL_WELL / FULL_WELL,
            code_variance: 1.0 / 12.0,
        }),
        findings,
    }
}

pub fn pictures() -> Vec<PictureMeasurement> {
    let made = |kind, file, times, tone| {
        measured(&Made {
            kind,
            file,
            times,
            tone,
        })
    };
    let times = [[0.5], [1.0], [2.0]];
    let mut list: Vec<_> = FILES
        .iter()
        .zip(&times)
        .map(|(file, t)| made(PictureKind::Frame, file, t.as_slice(), 1.0))
        .collect();
    list.push(made(PictureKind::CameraHdr, "bench_hdr.jpg", &[0.6], 0.7));
    list.push(made(
        PictureKind::Merge,
        "radiance.exr",
        &[0.5, 1.0, 2.0],
        1.0,
    ));
    list.push(made(
        PictureKind::Rendered,
        "rendered.jpg",
        &[0.5, 1.0, 2.0],
        0.55,
    ));
    list
}

fn frame(index: usize) -> FrameEntry {
    let stated = index as f64 - 1.0;
    let time = [1.0 / 128.0, 1.0 / 64.0, 1.0 / 32.0][index];
    FrameEntry {
        file: FILES[index].to_owned(),
        reference: index == 1,
        columns: 1200,
        rows: 800,
        bits: 8,
        settings: ExposureSettings {
            time: Some(ExposureTime(time)),
            aperture: Some(FNumber(5.6)),
            speed: Some(IsoSpeed(200.0)),
        },
        bias: Some(stated),
        captured: Some(format!("2026:05:04 10:11:1{index}.25")),
        exposure: Exposure {
            stated: Estimate::new(stated - 10.0, 0.05),
            used: Estimate::new(stated - 10.0 + 0.012 * stated, 0.011),
            source: if index == 2 {
                ExposureSource::Measured
            } else {
                ExposureSource::Metadata
            },
        },
        clipped_share: Some([0.004, 0.031, 0.12][index]),
        crushed_share: Some([0.08, 0.02, 0.0][index]),
        shift: (index != 1).then_some(Shift {
            columns: 1.31,
            rows: -0.42,
            degrees: 0.012,
            residual_px: Some(0.06),
        }),
    }
}

fn check() -> ExposureCheck {
    let ratio = |a: usize, b: usize| PairRatio {
        first: FILES[a].to_owned(),
        second: FILES[b].to_owned(),
        stated: Estimate::new((b - a) as f64, 0.07),
        measured: (b - a == 1).then(|| Estimate::new((b - a) as f64 * 1.012, 0.0021)),
        used_stops: (b - a) as f64 * 1.012,
    };
    ExposureCheck {
        pairs: vec![ratio(0, 1), ratio(1, 2), ratio(0, 2)],
        closures: vec![Closure {
            files: FILES.map(str::to_owned),
            closure: Estimate::new(-0.0012, 0.003),
        }],
    }
}

fn curve(channel: usize) -> ResponseCurve {
    let bend = 2.2 + 0.08 * channel as f64;
    let exposure = (0..256).map(|i| (f64::from(i) / 250.0).powf(bend) * 0.98 + f64::from(i) * 8e-5);
    let middle = |i: i32| (f64::from(i) - 130.0).abs() / 130.0;
    ResponseCurve {
        exposure: exposure.collect(),
        uncertainty_stops: (0..256).map(|i| 0.02 + 0.35 * middle(i).powi(6)).collect(),
        clip_level: 250.0 / 255.0,
        floor_level: 1.0 / 255.0,
        supported: (4.0 / 255.0, 250.0 / 255.0),
    }
}

/// A bracket of three frames with a camera's HDR, a merge and a rendering.
pub fn bracket() -> BracketReport {
    let mut bracket = BracketReport {
        name: "bench".to_owned(),
        inputs_sha256: Some("ab".repeat(32)),
        camera: Some("Example Camera 1".to_owned()),
        frames: (0..3).map(frame).collect(),
        exposure_check: Some(check()),
        response: Some(Response {
            method: ResponseMethod::SmoothTable,
            curves: (0..3).map(curve).collect(),
            residual_stops: 0.0123,
            samples: 4180,
        }),
        noise: Some(NoiseSummary {
            source: "estimated from the bracket".to_owned(),
            terms: vec![NoiseTerm {
                name: "read noise".to_owned(),
                channel: Some("G".to_owned()),
                value: 0.00038,
                standard_uncertainty: Some(0.00002),
                unit: "relative exposure".to_owned(),
            }],
        }),
        map: Some(MapSummary {
            columns: 1200,
            rows: 800,
            clipped_in_all: 0.0041,
            dark_in_all: 0.00002,
            one_frame: 0.11,
            uncovered: 0.003,
            moved: 0.0,
            largest_weight: vec![0.06, 0.17, 0.77],
        }),
        wedge: Some(super::known::place()),
        candidate: None,
        calibration: Some(super::known::calibration()),
        comparison: None,
        pictures: pictures().into(),
        gain: super::coverage::gain(),
        best_on_wedge: Some(super::coverage::best_on_wedge()),
        scene: Some(super::coverage::scene()),
        findings: findings(),
        outputs: vec![OutputFile {
            what: "radiance map".to_owned(),
            path: "bench/radiance.exr".to_owned(),
            bytes: Some(8_123_456),
        }],
        ..BracketReport::default()
    };
    bracket.headline = stopspan_report::words::headline(&bracket);
    bracket
}

fn findings() -> Vec<Finding> {
    vec![
        Finding::SpanFromMetadata {
            span_stops: 2.0,
            standard_uncertainty_stops: 0.07,
        },
        Finding::StatedExposureFalse {
            frame: FILES[2].to_owned(),
            stated_stops: 1.0,
            measured_stops: 1.312,
            standard_uncertainty_stops: 0.004,
            used_measured: true,
        },
        Finding::WedgeFound {
            confidence: 0.93,
            steps: STEPS,
        },
    ]
}
