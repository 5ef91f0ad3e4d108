//! Response curves and radiance by OpenCV on a synthetic bracket (opencv/make.py made the tables, settings.csv says with
//! which version).
use crate::published::srgb::to_linear;
use ndarray::Array3;
use std::path::Path;
use stopspan_core::model::Bracket;
use stopspan_core::raster::Pixels;
use stopspan_core::units::Primaries;
use stopspan_frames::{ExposureOverride, Overrides, clip_levels, load, survey};
use stopspan_response::{ResponseRequest, recover};
use stopspan_tone::OutputColour;
use stopspan_tone::fusion::{FusedFrame, fuse};

/// What OpenCV made of one bracket, channels in the order R, G, B.
pub struct Reference {
    /// 8-bit frames of shape (rows, columns, 3).
    pub frames: Vec<Array3<u8>>,
    /// Exposure time of each frame, s.
    pub times: Vec<f64>,
    /// Relative exposure of each code, 256 x 3, of the least squares table (Debevec and Malik 1997).
    pub debevec: Vec<Vec<f64>>,
    /// The same by alternating (Robertson, Borman and Stevenson 1999); 1 at code 128.
    pub robertson: Vec<Vec<f64>>,
    /// Radiance by the hat weights of Debevec and Malik (1997), one row a pixel, row by row.
    pub radiance: Vec<Vec<f64>>,
}

fn table(name: &str) -> Vec<Vec<String>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/opencv");
    let mut reader = csv::Reader::from_path(folder.join(name)).unwrap();
    let records = reader.records();
    records
        .map(|r| r.unwrap().iter().map(str::to_owned).collect())
        .collect()
}

fn numbers(name: &str) -> Vec<Vec<f64>> {
    let parse = |row: &Vec<String>| row.iter().map(|f| f.parse().unwrap()).collect();
    table(name).iter().map(parse).collect()
}

/// Reads the tables.
pub fn reference() -> Reference {
    let settings = table("settings.csv");
    let setting = |name: &str| -> f64 {
        let row = settings.iter().find(|r| r[0] == name).unwrap();
        row[1].parse().unwrap()
    };
    let (rows, columns) = (setting("rows") as usize, setting("columns") as usize);
    let pixels = numbers("frames.csv");
    assert_eq!(pixels.len(), rows * columns);
    let frame = |i: usize| {
        let code = |(r, c, k): (usize, usize, usize)| pixels[r * columns + c][3 * i + k] as u8;
        Array3::from_shape_fn((rows, columns, 3), code)
    };
    let curve = |name: &str| -> Vec<Vec<f64>> {
        let rows = numbers(name);
        assert_eq!(rows.len(), 256, "{name}");
        rows.iter().map(|row| row[1..].to_vec()).collect()
    };
    Reference {
        frames: (0..3).map(frame).collect(),
        times: (0..3).map(|i| setting(&format!("time{i}"))).collect(),
        debevec: curve("debevec_response.csv"),
        robertson: curve("robertson_response.csv"),
        radiance: numbers("debevec_radiance.csv"),
    }
}

/// Root mean square difference of two curves in log2 exposure over codes 10..=245, after the best common factor, stops.
pub fn difference_stops(first: &[f64], second: &[f64]) -> f64 {
    assert_eq!((first.len(), second.len()), (256, 256));
    let ratios: Vec<f64> = (10..=245).map(|c| (first[c] / second[c]).log2()).collect();
    let n = ratios.len() as f64;
    let mean = ratios.iter().sum::<f64>() / n;
    (ratios.iter().map(|r| (r - mean).powi(2)).sum::<f64>() / n).sqrt()
}

fn channel(curve: &[Vec<f64>], channel: usize) -> Vec<f64> {
    curve.iter().map(|row| row[channel]).collect()
}

/// The tables belong together: frames, times and curve give the radiance by the published formula (equation 6 of Debevec
/// and Malik 1997), `ln E = sum w (g - ln t) / sum w`, with the hat weight.
#[test]
fn the_reference_is_what_the_paper_says() {
    let reference = reference();
    let hat = |z: f64| if z <= 127.0 { z } else { 255.0 - z };
    let (_, columns, _) = reference.frames[0].dim();
    let mut checked = 0;
    for (index, pixel) in reference.radiance.iter().enumerate() {
        let at =
            |i: usize, k| f64::from(reference.frames[i][[index / columns, index % columns, k]]);
        for (k, &found) in pixel.iter().enumerate() {
            let (mut sum, mut weights) = (0.0, 0.0);
            for (i, time) in reference.times.iter().enumerate() {
                // OpenCV weighs a pixel by the mean of its channels' weights, kept off 0.
                let weight = (0..3).map(|c| hat(at(i, c))).sum::<f64>() / 3.0 + 1e-9;
                let code = at(i, k) as usize;
                sum += weight * (reference.debevec[code][k].ln() - time.ln());
                weights += weight;
            }
            let expected = (sum / weights).exp();
            assert!(
                (found / expected - 1.0).abs() < 1e-4,
                "pixel {index}: {found} {expected}"
            );
            checked += 1;
        }
    }
    assert_eq!(checked, 48 * 64 * 3);
}

/// Both curves are near the one the frames were made with (IEC 61966-2-1), which is known exactly.
#[test]
fn the_reference_curves_are_near_the_truth() {
    let reference = reference();
    let truth: Vec<f64> = (0..256)
        .map(|code| to_linear(f64::from(code) / 255.0))
        .collect();
    for k in 0..3 {
        let debevec = difference_stops(&channel(&reference.debevec, k), &truth);
        let robertson = difference_stops(&channel(&reference.robertson, k), &truth);
        println!("channel {k}: {debevec:.3} and {robertson:.3} stop from the truth");
        assert!(debevec < 0.06 && robertson < 0.25, "{debevec} {robertson}");
    }
}

/// The frames as a bracket, every pixel enlarged to `side` x `side`, so that block means are what OpenCV saw as pixels.
fn bracket(reference: &Reference, side: usize) -> Bracket {
    let folder = tempfile::tempdir().unwrap();
    let mut overrides = Overrides {
        one_bracket: true,
        ..Overrides::default()
    };
    let mut files = Vec::new();
    for (index, (frame, time)) in reference.frames.iter().zip(&reference.times).enumerate() {
        let (rows, columns, channels) = frame.dim();
        let large = Array3::from_shape_fn((rows * side, columns * side, channels), |(r, c, k)| {
            frame[[r / side, c / side, k]]
        });
        let file = folder.path().join(format!("frame{index}.png"));
        let (height, width, _) = large.dim();
        let pixels = large.as_slice().unwrap();
        image::save_buffer(
            &file,
            pixels,
            width as u32,
            height as u32,
            image::ColorType::Rgb8,
        )
        .unwrap();
        let said = format!("frame{index}.png={time}");
        overrides
            .exposures
            .push(ExposureOverride::parse(&said).unwrap());
        files.push(file);
    }
    let found = survey(&files, &overrides).unwrap();
    load(&found.brackets[0], &overrides).unwrap()
}

/// Our response from the same frames: nearer to the truth than the alternating method's, and as near to the least squares
/// table as the two differ from the truth.
#[test]
fn our_response_agrees() {
    let reference = reference();
    let bracket = bracket(&reference, 8);
    let recovered = recover(&bracket, &clip_levels(&bracket), None, ResponseRequest::Fit).unwrap();
    assert_eq!(recovered.response.curves.len(), 3);
    let truth: Vec<f64> = (0..256).map(|c| to_linear(f64::from(c) / 255.0)).collect();
    for (k, curve) in recovered.response.curves.iter().enumerate() {
        let ours: Vec<f64> = (0..256)
            .map(|c| curve.exposure_at(f64::from(c) / 255.0))
            .collect();
        let to_truth = difference_stops(&ours, &truth);
        let to_debevec = difference_stops(&ours, &channel(&reference.debevec, k));
        let to_robertson = difference_stops(&ours, &channel(&reference.robertson, k));
        println!("channel {k}: {to_truth:.4} {to_debevec:.4} {to_robertson:.4} stop");
        assert!(to_truth < 0.02, "{to_truth}");
        assert!(to_debevec < 0.03, "{to_debevec}");
        assert!(to_robertson < 0.15, "{to_robertson}");
    }
}

/// Our exposure fusion against OpenCV's, exponents 1, pixel by pixel, which does not hold its result to 0..1. The same
/// pyramids and weights in double precision differ from OpenCV by 0.145 codes in the mean and 4.7 at most (where all frames
/// are black or white, weights are rounding): the tolerance is that with a little room.
#[test]
fn our_fusion_agrees() {
    let reference = reference();
    let pixels: Vec<Pixels> = reference.frames.iter().cloned().map(Pixels::U8).collect();
    let frames: Vec<FusedFrame> = pixels
        .iter()
        .map(|pixels| FusedFrame {
            pixels,
            transform: None,
        })
        .collect();
    let ours = fuse(&frames, Primaries::SRGB, OutputColour::Srgb);
    let theirs = numbers("fusion.csv");
    assert_eq!(theirs.len(), 48 * 64);
    let differences = ours
        .iter()
        .zip(theirs.iter().flatten())
        .map(|(&code, level)| (f64::from(code) / 65535.0 - level.clamp(0.0, 1.0)).abs() * 255.0);
    let differences: Vec<f64> = differences.collect();
    let mean = differences.iter().sum::<f64>() / differences.len() as f64;
    let most = differences.iter().copied().fold(0.0, f64::max);
    println!("fusion: mean {mean:.3}, largest {most:.3} 8-bit codes from OpenCV's");
    assert!(mean < 0.3 && most < 6.0, "{mean} {most}");
}
