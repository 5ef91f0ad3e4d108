//! Brackets of 16-bit linear TIFF and PNG, as raw converters write them, through the whole job: declared and recognised, of three
//! channels and of one, warm and with dark frames.
use super::raw_files::{Job, centre, exr, floats};
use ndarray::Axis;
use std::path::Path;
use stopspan_core::finding::Finding;
use stopspan_core::model::Limits;
use stopspan_core::raster::Pixels;
use stopspan_core::statistics::robust::median;
use stopspan_formats::openexr::ChannelRows;
use stopspan_formats::{Carried, png, read_picture, tiff};
use stopspan_response::ResponseRequest;
use stopspan_simulate::{FileKind, Scenario};

const FRAMES: [&str; 3] = ["under", "nominal", "over"];

/// A valley without blur, frames 2 EV apart, codes in proportion to light.
fn scenario(kind: FileKind) -> Scenario {
    let text = r#"{ "name": "s", "seed": 8, "size": [480, 360], "scene": { "kind": "valley", "light": 1.0 },
        "sensor": { "full_well": 20000.0, "read_noise": 4.0, "adc_bits": 14, "black": 512.0, "blur": 0.0,
                    "response": { "name": "linear" }, "output_bits": 16 },
        "frames": [ { "name": "under", "ev": -2.0 }, { "name": "nominal", "ev": 0.0 }, { "name": "over", "ev": 2.0 } ],
        "truth_map": true }"#;
    let mut scenario: Scenario = serde_json::from_str(text).unwrap();
    scenario.files = kind;
    scenario
}

/// The frames of a folder with their green channel alone, written by the encoders of finished pictures.
fn leave_green(folder: &Path, kind: FileKind) {
    for name in FRAMES {
        let file = folder.join(format!("s_{name}.{}", kind.ending()));
        let picture = read_picture(&file, &Limits::default()).unwrap();
        let Pixels::U16(codes) = &picture.pixels else {
            panic!("{} has not 16 bits", file.display());
        };
        let green = codes.index_axis(Axis(2), 1).insert_axis(Axis(2));
        let carried = Carried::of(&picture.header, "a converter", false);
        let bytes = if kind == FileKind::Png {
            let exif = carried.block();
            let extras = png::Extras {
                exif: exif.as_deref(),
                ..png::Extras::default()
            };
            let mut file = Vec::new();
            png::write16(&mut file, green, &extras).unwrap();
            file
        } else {
            tiff::encode16(green, None, &carried).unwrap()
        };
        std::fs::write(&file, bytes).unwrap();
    }
}

fn job(scenario: &Scenario, mono: bool, response: ResponseRequest) -> Job {
    let mut job = Job::new(scenario);
    if mono {
        leave_green(&job.input(), scenario.files);
    }
    job.settings.response = response;
    job
}

/// What the map says over the truth: (light, stops apart, difference over the stated standard uncertainty from noise). Radiance 1
/// is the clip level of the files, which is saturation.
fn apart(job: &Job, (channel, of_truth): (&str, &str)) -> Vec<(f32, f64, f64)> {
    let (map, truth) = (job.map(), exr(&job.input().join("truth.exr")));
    assert_eq!((map.rows, map.columns), (truth.rows, truth.columns));
    let ChannelRows::Half(sigma) = &map.channels[&format!("sigma.{channel}")] else {
        panic!("no uncertainty")
    };
    let values = floats(&map, channel).iter().zip(sigma);
    let pairs = values.zip(floats(&truth, of_truth));
    let seen = pairs.filter(|((m, _), t)| **t > 0.001 && **t < 3.0 && **m > 0.0);
    seen.map(|((m, s), t)| {
        let off = f64::from(m - t) / f64::from(s.to_f32());
        (*t, f64::from(m / t).log2(), off)
    })
    .collect()
}

#[test]
fn linear_tiff_and_png_give_the_scene_declared_and_recognised() {
    // every pair of kind, channels and choice once
    for (kind, mono, response) in [
        (FileKind::Tiff, false, ResponseRequest::Fit),
        (FileKind::Tiff, true, ResponseRequest::Linear),
        (FileKind::Png, false, ResponseRequest::Linear),
        (FileKind::Png, true, ResponseRequest::Fit),
    ] {
        let name = format!("{kind:?}, mono {mono}, {response:?}");
        let job = job(&scenario(kind), mono, response);
        let findings = job.findings();
        let taken = findings
            .iter()
            .any(|f| matches!(f, Finding::TakenAsLinear { .. }));
        assert_eq!(
            taken,
            response == ResponseRequest::Fit,
            "{name}: {findings:?}"
        );
        let channel = if mono { ("Y", "G") } else { ("G", "G") };
        let all = apart(&job, channel);
        for (low, high) in [(0.001, 0.01), (0.01, 0.1), (0.1, 0.9)] {
            let here = all.iter().filter(|(t, ..)| (low..high).contains(t));
            let (stops, off): (Vec<f64>, Vec<f64>) = here.map(|&(_, s, o)| (s, o)).unzip();
            let within = off.iter().filter(|o| o.abs() < 1.0).count() as f64 / off.len() as f64;
            let middle = median(&stops).unwrap();
            println!(
                "{name}, {low} to {high}: {} pixels, {middle:+.4} stop, within {within:.3}",
                off.len()
            );
            assert!(middle.abs() < 0.01, "{name}, {low}: {middle}");
            // Limits chosen, no source: three times what is asked of raw frames with a noise profile.
            assert!((0.62..0.74).contains(&within), "{name}, {low}: {within}");
        }
    }
}

/// As for raw frames: 40 thermal electrons of 20000 are a fifth of a light of 0.01, 0.263 stop.
#[test]
fn dark_frames_take_thermal_electrons_out_of_finished_linear_frames() {
    for (kind, mono) in [(FileKind::Tiff, false), (FileKind::Png, true)] {
        let mut warm = scenario(kind);
        warm.scene =
            serde_json::from_str(r#"{ "kind": "flat", "radiance": [0.01, 0.01, 0.01] }"#).unwrap();
        warm.sensor.dark_electrons = 40.0;
        let mut lid = warm.clone();
        lid.seed = 99;
        lid.scene =
            serde_json::from_str(r#"{ "kind": "flat", "radiance": [0.0, 0.0, 0.0] }"#).unwrap();
        let darks = job(&lid, mono, ResponseRequest::Linear);
        let mut job = job(&warm, mono, ResponseRequest::Linear);
        let channel = if mono { ("Y", "G") } else { ("G", "G") };
        let offset = |job: &Job| {
            let all = apart(job, channel);
            std::fs::remove_file(&job.settings.out).unwrap();
            centre(&all.iter().map(|a| a.1).collect::<Vec<_>>()).0
        };
        let with = offset(&job);
        job.settings.overrides.dark_frames = FRAMES
            .map(|n| darks.input().join(format!("s_{n}.{}", kind.ending())))
            .to_vec();
        let without = offset(&job);
        println!("{kind:?}, mono {mono}: {with:+.4} stop warm, {without:+.4} with darks taken off");
        assert!(
            (with - 0.263).abs() < 0.02 && without.abs() < 0.02,
            "{kind:?}, mono {mono}: {with} {without}"
        );
        let said = job.findings().into_iter().filter(|f| {
            matches!(
                f,
                Finding::DarkSubtracted {
                    same_time: true,
                    ..
                }
            )
        });
        assert_eq!(said.count(), 3);
    }
}
