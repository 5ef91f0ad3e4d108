//! Scenarios: what is written is what was asked for, rows alone are rows of the whole, samples are what they claim.
use std::path::Path;
use stopspan_core::model::{Limits, Picture};
use stopspan_core::raster::Pixels;
use stopspan_formats::staged::Outputs;
use stopspan_formats::{jpeg, read_picture};
use stopspan_simulate::scene::{Canvas, Disc, Pose, render};
use stopspan_simulate::{
    Expected, FileKind, Join, Scenario, ScenarioSource, frame_rows, names, write_scenario,
};

/// A built-in scenario at `columns` columns, its shape kept.
fn small(name: &str, columns: usize) -> Scenario {
    let mut scenario = ScenarioSource::Named(name.into()).load().unwrap();
    scenario.size = (columns, columns * scenario.size.1 / scenario.size.0);
    scenario
}

fn read(file: &Path) -> Picture {
    read_picture(file, &Limits::default()).unwrap()
}

#[test]
fn every_built_in_scenario_loads_and_writes_what_it_lists() {
    let mut count = 0;
    for name in names() {
        let folder = tempfile::tempdir().unwrap();
        let scenario = small(name, 96);
        let (files, truth) = write_scenario(&scenario, folder.path(), &Outputs::default()).unwrap();
        assert!(files.iter().all(|f| f.is_file()), "{name}");
        let extra = usize::from(scenario.camera_hdr) + usize::from(scenario.truth_map) + 2;
        assert_eq!(files.len(), scenario.frames.len() + extra, "{name}");
        for frame in &truth.frames {
            let picture = read(&folder.path().join(&frame.file));
            assert_eq!(
                (picture.pixels.columns(), picture.pixels.rows()),
                scenario.size
            );
            let stated = picture.header.exposure_time.unwrap().value();
            assert!(
                (stated / frame.exposure_time - 1.0).abs() < 1e-6,
                "{name}: {stated}"
            );
        }
        let again: Scenario =
            serde_json::from_slice(&std::fs::read(folder.path().join("scenario.json")).unwrap())
                .unwrap();
        assert_eq!(again, scenario, "{name}");
        // Nothing is overwritten without being told to.
        assert!(write_scenario(&scenario, folder.path(), &Outputs::default()).is_err());
        count += 1;
    }
    assert_eq!(count, 4);
}

#[test]
fn frames_say_how_they_were_taken() {
    let folder = tempfile::tempdir().unwrap();
    for kind in [FileKind::default(), FileKind::Png, FileKind::Tiff] {
        let scenario = Scenario {
            files: kind,
            ..small("bench", 64)
        };
        let place = folder.path().join(kind.ending());
        write_scenario(&scenario, &place, &Outputs::default()).unwrap();
        let half = read(&place.join(format!("bench_half.{}", kind.ending()))).header;
        assert_eq!(
            half.exposure_time.map(|t| (t.numerator, t.denominator)),
            Some((1, 100)),
            "{kind:?}"
        );
        assert_eq!(half.exposure_bias.unwrap().value(), -1.0);
        assert_eq!(half.f_number.unwrap().value(), 4.0);
        assert_eq!(half.sensitivity, Some(100.0));
        assert_eq!(half.composite_image, None);
        assert_eq!(half.captured.as_deref(), Some("2026:05:04 10:30:00"));
        assert!(half.maker.unwrap().contains("Simulated"));
        let hdr = read(&place.join(format!("bench_hdr.{}", kind.ending()))).header;
        assert_eq!(
            (hdr.composite_image, hdr.custom_rendered),
            (Some(3), Some(1)),
            "{kind:?}"
        );
    }
}

#[test]
fn rows_taken_alone_are_the_rows_of_the_whole_frame() {
    for name in ["bench", "bench-handheld"] {
        let scenario = small(name, 80);
        let whole = frame_rows(&scenario, 2, 0..scenario.size.1).unwrap();
        let part = frame_rows(&scenario, 2, 21..30).unwrap();
        let (Pixels::U8(whole), Pixels::U8(part)) = (whole, part) else {
            panic!("8 bits")
        };
        assert_eq!(whole.slice(ndarray::s![21..30, .., ..]), part, "{name}");
    }
}

#[test]
fn different_steps_are_lost_in_different_frames() {
    let folder = tempfile::tempdir().unwrap();
    let (_, truth) =
        write_scenario(&small("bench", 320), folder.path(), &Outputs::default()).unwrap();
    let frames: Vec<&Expected> = truth
        .frames
        .iter()
        .map(|f| f.expected.as_ref().unwrap())
        .collect();
    let lost = |frame: &Expected, why: Join| frame.joined.iter().filter(|j| j.2 == why).count();
    assert_eq!(
        frames.iter().map(|f| f.levels).collect::<Vec<_>>(),
        [17, 18, 18]
    );
    assert_eq!(
        (lost(frames[0], Join::Clipped), lost(frames[0], Join::Noise)),
        (0, 4)
    );
    assert_eq!(
        (lost(frames[1], Join::Clipped), lost(frames[1], Join::Noise)),
        (1, 2)
    );
    assert_eq!(
        (lost(frames[2], Join::Clipped), lost(frames[2], Join::Noise)),
        (3, 0)
    );
    assert_eq!(truth.merge.unwrap().levels, 21);
    // ISO 5-1: a step of 0.15 D passes 10^-0.15 of the light; the optics blur only the edges.
    let light = truth.wedge.unwrap().light;
    assert_eq!(light.len(), 21);
    assert!(
        light
            .windows(2)
            .all(|w| (w[1] / w[0] - 10f64.powf(-0.15)).abs() < 1e-4)
    );
}

#[test]
fn pose_moves_the_picture_and_the_disc_moves_in_it() {
    let scenario = small("bench", 64);
    let canvas = scenario.canvas(0);
    let still = render(&scenario.scene, &canvas).unwrap();
    let pose = Pose {
        shift: (5.0, -3.0),
        turn: 0.0,
    };
    let moved = render(
        &scenario.scene,
        &Canvas {
            pose,
            ..canvas.clone()
        },
    )
    .unwrap();
    let (rows, columns, _) = still.dim();
    let kept = still.slice(ndarray::s![3.., ..columns - 5, ..]);
    assert_eq!(kept, moved.slice(ndarray::s![..rows - 3, 5.., ..]));
    let disc = Disc {
        centre: (20.0, 10.0),
        radius: 4.0,
        radiance: [7.0, 8.0, 9.0],
    };
    let with = render(
        &scenario.scene,
        &Canvas {
            disc: Some(disc),
            ..canvas
        },
    )
    .unwrap();
    assert_eq!(with[[10, 20, 1]], 8.0);
    let changed = with.iter().zip(&still).filter(|(a, b)| a != b).count() / 3;
    // The disc's area, give or take its rim.
    assert!((40..=70).contains(&changed), "{changed} pixels changed");
}

/// The samples are what their scenario gives: a strip of 16 rows across the middle of the wedge or picture is made
/// anew, compressed and compared with the same rows of the file, decoded by the same decoder. 16 rows are one row of
/// coding units (ITU-T T.81, 4:2:0); its outermost rows take chroma from the neighbours, so they are left out.
#[test]
fn samples_are_what_their_scenarios_give() {
    let mut frames = 0;
    for name in ["bench", "valley"] {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("samples")
            .join(name);
        let scenario = ScenarioSource::File(folder.join("scenario.json"))
            .load()
            .unwrap();
        assert_eq!(
            scenario,
            ScenarioSource::Named(name.into()).load().unwrap(),
            "built in and on disk"
        );
        let FileKind::Jpeg {
            quality,
            half_chroma,
        } = scenario.files
        else {
            panic!("samples are JPEG")
        };
        let chroma = if half_chroma {
            jpeg::Subsampling::Half
        } else {
            jpeg::Subsampling::Full
        };
        for (index, frame) in scenario.frames.iter().enumerate() {
            let Pixels::U8(strip) = frame_rows(&scenario, index, 1024..1040).unwrap() else {
                panic!("8 bits")
            };
            let bytes = jpeg::encode(strip.view(), quality, chroma, None, None).unwrap();
            let file = tempfile::Builder::new().suffix(".jpg").tempfile().unwrap();
            std::fs::write(file.path(), bytes).unwrap();
            let (Pixels::U8(made), Pixels::U8(kept)) = (
                read(file.path()).pixels,
                read(&folder.join(scenario.file_name(&frame.name))).pixels,
            ) else {
                panic!("8 bits")
            };
            let worst = made
                .slice(ndarray::s![2..14, .., ..])
                .iter()
                .zip(kept.slice(ndarray::s![1026..1038, .., ..]))
                .map(|(&a, &b)| a.abs_diff(b))
                .max();
            assert!(
                worst <= Some(1),
                "{name} {}: codes differ by {worst:?}",
                frame.name
            );
            frames += 1;
        }
    }
    assert_eq!(frames, 6);
}

/// The pictures of the three cameras are what their scenarios give: made anew whole, compressed, and decoded by the same decoder.
#[test]
fn pictures_of_three_cameras_are_what_their_scenarios_give() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples/cameras");
    let mut pictures = 0;
    for (name, kept) in [
        ("a", &["a_shot.jpg"][..]),
        ("b", &["b_shot.jpg"]),
        ("c", &["c_shot.jpg", "c_hdr.jpg"]),
    ] {
        let file = folder.join(format!("{name}.json"));
        let scenario = ScenarioSource::File(file).load().unwrap();
        let made = tempfile::tempdir().unwrap();
        write_scenario(&scenario, made.path(), &Outputs::default()).unwrap();
        for file in kept {
            let (Pixels::U8(made), Pixels::U8(kept)) = (
                read(&made.path().join(file)).pixels,
                read(&folder.join(file)).pixels,
            ) else {
                panic!("8 bits")
            };
            let worst = made.iter().zip(&kept).map(|(&a, &b)| a.abs_diff(b)).max();
            assert!(worst <= Some(1), "{file}: codes differ by {worst:?}");
            pictures += 1;
        }
    }
    let there = std::fs::read_dir(&folder).unwrap();
    let jpeg = there.filter(|e| {
        e.as_ref()
            .unwrap()
            .path()
            .extension()
            .is_some_and(|x| x == "jpg")
    });
    assert_eq!((pictures, jpeg.count()), (4, 4));
}
