//! What ends a usable range: noise, the black floor, the wedge, compression, each where it is made to be so. (Glare needs the
//! whole job: `densities`.)
use super::wedge::{place, simulated};
use crate::published::srgb::to_level;
use ndarray::Array3;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use stopspan_core::finding::Finding;
use stopspan_core::model::Compression;
use stopspan_core::raster::{Pixels, Point, Region};
use stopspan_core::results::{Limit, PictureKind, PictureMeasurement};
use stopspan_measure::{MeasureSettings, Subject, measure, srgb_curve, wedge};

fn settings() -> MeasureSettings {
    let mut settings = MeasureSettings::default();
    settings.range.resampling.count = 60;
    settings
}

fn limits(picture: &PictureMeasurement) -> Vec<Limit> {
    picture.usable_stops.iter().map(|u| u.limited_by).collect()
}

#[test]
fn noise_ends_a_range_that_the_wedge_shows_whole() {
    let got = measure(&[simulated(41, 0.1, &[1.0], 3)], &place(41), &settings())
        .merge
        .unwrap();
    assert_eq!(limits(&got), [Limit::Noise; 4]);
}

#[test]
fn a_wedge_too_short_to_pin_the_noise_ends_it_with_a_lower_bound() {
    // Eight steps of 0.1 D from 1.2 stops above the clip level: photon noise is seen, read noise is not.
    let got = measure(&[simulated(8, 0.1, &[1.0], 3)], &place(8), &settings())
        .merge
        .unwrap();
    let deepest = &got.usable_stops[0];
    assert_eq!(deepest.limited_by, Limit::Wedge, "{deepest:?}");
    assert!(deepest.stops.is_some() && deepest.stops == deepest.seen_stops);
    assert!(deepest.low95.is_none() && deepest.high95.is_none());
}

#[test]
fn the_black_floor_ends_a_range_before_the_noise_does() {
    let mut subject = simulated(41, 0.1, &[1.0], 3);
    let floor = 0.02;
    subject.sources[0].curve.floor_level = floor;
    let got = measure(&[subject], &place(41), &settings()).merge.unwrap();
    let stops = |snr: f64| got.usable_stops.iter().find(|u| u.snr == snr).unwrap();
    // SNR 1 and 3 are reached at 0.0005 and 0.0016 of the clip level, SNR 40 at 0.2.
    for snr in [1.0, 3.0] {
        assert_eq!(stops(snr).limited_by, Limit::Clipping);
        let held = (1.0 / floor).log2();
        assert!(
            (stops(snr).stops.unwrap() - held).abs() < 0.02,
            "{:?}",
            stops(snr)
        );
    }
    assert_eq!(stops(40.0).limited_by, Limit::Noise);
}

const STEPS: usize = 20;
const CELL: (usize, usize) = (96, 96);

/// Steps of 0.15 D, sRGB codes with normal noise of `noise` codes (cut at the ends) and what `mark` adds at a pixel.
fn drawn(noise: f64, mark: &dyn Fn(u32, u32) -> f64) -> image::GrayImage {
    let mut rng = ChaCha8Rng::seed_from_u64(8);
    let level = |column: usize| {
        let light = 0.8 * 10f64.powf(-0.15 * (column / CELL.1) as f64);
        255.0 * to_level(light)
    };
    image::GrayImage::from_fn((CELL.1 * STEPS) as u32, CELL.0 as u32, |x, y| {
        let code = level(x as usize) + noise * rng.sample::<f64, _>(StandardNormal);
        image::Luma([(code + mark(x, y)).round().clamp(0.0, 255.0) as u8])
    })
}

/// Such a picture as a JPEG of `quality`, or as it is.
fn coded(gray: image::GrayImage, quality: Option<u8>) -> Subject {
    let (gray, compression) = match quality {
        None => (gray, Compression::Lossless),
        Some(quality) => {
            let mut bytes = Vec::new();
            let encoder = image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, quality);
            gray.write_with_encoder(encoder).unwrap();
            let file = tempfile::Builder::new().suffix(".jpg").tempfile().unwrap();
            std::fs::write(file.path(), &bytes).unwrap();
            let read = stopspan_formats::read_picture(file.path(), &Default::default()).unwrap();
            assert!(matches!(read.compression, Compression::Jpeg { .. }));
            let decoded = image::load_from_memory(&bytes).unwrap().into_luma8();
            (decoded, read.compression)
        }
    };
    let (columns, rows) = gray.dimensions();
    let pixels = Pixels::U8(
        Array3::from_shape_vec((rows as usize, columns as usize, 1), gray.into_raw()).unwrap(),
    );
    let whole = Region {
        top: 0,
        left: 0,
        height: rows as usize,
        width: columns as usize,
    };
    let curve = srgb_curve();
    let subject = Subject::of_finished(PictureKind::Frame, "f", &pixels, Some(&curve), whole);
    subject.compressed(compression)
}

fn on_wedge(subject: Subject) -> PictureMeasurement {
    let (right, bottom) = ((CELL.1 * STEPS) as f64, CELL.0 as f64);
    let corners = [(0.0, 0.0), (right, 0.0), (right, bottom), (0.0, bottom)];
    let place = wedge::place(corners.map(|(x, y)| Point { x, y }), (1, STEPS), None).unwrap();
    let measured = measure(&[subject], &place, &settings());
    measured.iter().next().unwrap().clone()
}

fn measured(noise: f64, quality: Option<u8>) -> PictureMeasurement {
    on_wedge(coded(drawn(noise, &|_, _| 0.0), quality))
}

fn flagged(picture: &PictureMeasurement) -> bool {
    picture.findings.iter().any(|f| {
        matches!(
            f,
            Finding::NoiseCompressionLimited { .. } | Finding::NoiseSmoothed { .. }
        )
    })
}

#[test]
fn compression_ends_a_range_where_it_hides_noise_and_only_there() {
    // Noise of 1 code through qualities 75 to 90 comes out as 0.15 to 0.7 codes (computed by simulation with another
    // encoder); the same noise without compression, and four codes at quality 98, come out whole.
    for quality in [75, 85, 90] {
        let got = measured(1.0, Some(quality));
        assert!(flagged(&got), "quality {quality}: {:?}", got.findings);
        let deviation = got.patches[8].code_deviation.unwrap();
        assert!(deviation < 0.8, "quality {quality}: {deviation}");
        assert!(
            limits(&got).contains(&Limit::Compression),
            "{:?}",
            got.usable_stops
        );
    }
    for (noise, quality) in [(1.0, None), (4.0, None), (4.0, Some(98))] {
        let got = measured(noise, quality);
        assert!(!flagged(&got), "{noise} {quality:?}: {:?}", got.findings);
        assert!(
            !limits(&got).contains(&Limit::Compression),
            "{:?}",
            got.usable_stops
        );
    }
}

#[test]
fn block_means_count_the_steps_that_hidden_noise_would_have_joined() {
    // Three codes of noise join the dark steps; qualities that hide it let the pixels tell more of them apart.
    let noise = 3.0;
    let truth = measured(noise, None).levels.unwrap();
    assert!(truth.block.is_none() && truth.noise < 19, "{truth:?}");
    let mut flattered = 0;
    for quality in [80, 85, 90, 95] {
        let got = measured(noise, Some(quality));
        let levels = got.levels.unwrap();
        let block = levels.block.unwrap();
        assert!(
            block.abs_diff(truth.noise) <= 1,
            "quality {quality}: {levels:?}, {truth:?}"
        );
        flattered += usize::from(levels.noise > truth.noise);
        let said = got
            .findings
            .iter()
            .any(|f| matches!(f, Finding::LevelsFlattered { .. }));
        assert_eq!(said, block < levels.noise);
    }
    assert!(
        flattered > 0,
        "no quality hides anything: the test shows nothing"
    );
}

/// Steps said not to be even.
fn uneven(picture: &PictureMeasurement) -> Vec<usize> {
    let step = |f: &Finding| match f {
        Finding::PatchTextured { step, .. } => Some(*step),
        _ => None,
    };
    picture.findings.iter().filter_map(step).collect()
}

/// A speck of 6 x 6 pixels on step 4, stripes of 16 pixels on step 9.
fn dusty(x: u32, y: u32) -> f64 {
    let (step, x) = (x as usize / CELL.1 + 1, x as usize % CELL.1);
    match step {
        4 if (40..46).contains(&x) && (40..46).contains(&y) => -40.0,
        9 if (x / 16).is_multiple_of(2) => 4.0,
        _ => 0.0,
    }
}

#[test]
fn dust_and_texture_are_said_by_step_and_kept_out() {
    for quality in [None, Some(98), Some(90), Some(75)] {
        let clean = on_wedge(coded(drawn(1.5, &|_, _| 0.0), quality));
        let got = on_wedge(coded(drawn(1.5, &dusty), quality));
        assert_eq!(uneven(&clean), [0; 0], "quality {quality:?}");
        assert_eq!(uneven(&got), [4, 9], "quality {quality:?}");
        let ratio = got.patches[3].linear / clean.patches[3].linear;
        assert!((ratio - 1.0).abs() < 0.003, "quality {quality:?}: {ratio}");
    }
}

/// A map of frames in which coding left lone blocks standing is judged like those frames: they are no dust.
#[test]
fn what_coding_leaves_is_no_texture_in_a_map_either() {
    for quality in [75, 85] {
        let frame = coded(drawn(2.0, &|_, _| 0.0), Some(quality));
        let map = Subject {
            kind: PictureKind::Merge,
            levels: None,
            compression: None,
            bits: 32,
            ..frame.clone()
        };
        let (frame, map) = (on_wedge(frame), on_wedge(map));
        assert_eq!((uneven(&frame), uneven(&map)), (vec![], vec![]));
        let counts = |p: &PictureMeasurement| {
            let levels = p.levels.unwrap();
            (levels.noise, levels.block)
        };
        assert_eq!(counts(&frame), counts(&map), "quality {quality}");
    }
}
