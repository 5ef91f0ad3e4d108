//! Dark frame subtraction.
//!
//! Differences of two samples are negative as often as positive. A known black level is added, so that none is
//! clipped. The noise of a dark frame enters every frame it is subtracted from, but not the differences between
//! frames from which noise is estimated; averages of several dark frames are therefore better.
use super::exposure::parse_exposure;
use ndarray::Array3;
use std::path::{Path, PathBuf};
use stopspan_core::finding::Finding;
use stopspan_core::model::{Compression, Limits, Picture, Raw};
use stopspan_core::model::{Frame, file_name};
use stopspan_core::raster::Pixels;
use stopspan_core::{Error, Setting};
use stopspan_formats::read_picture;

/// Largest ratio of exposure times that count as equal.
const SAME_TIME: f64 = 1.1;
/// Black level added to differences of finished samples, fraction of full scale.
const PEDESTAL: f64 = 1.0 / 64.0;

struct Dark {
    picture: Picture,
    seconds: Option<f64>,
}

/// Subtracts from every frame the dark frame of its exposure time; a single dark frame is subtracted from all frames.
///
/// # Errors
/// [`Error::Request`] for frames that cannot be linear, a dark frame of another size, or a frame that none of several dark
/// frames fits; those of reading a dark frame.
pub(super) fn subtract(
    frames: &mut [Frame],
    files: &[PathBuf],
    limits: &Limits,
    findings: &mut Vec<Finding>,
) -> Result<(), Error> {
    if files.is_empty() {
        return Ok(());
    }
    let darks: Vec<Dark> = files
        .iter()
        .map(|file| read(file, limits))
        .collect::<Result<_, _>>()?;
    for frame in frames.iter_mut() {
        if matches!(frame.picture.compression, Compression::Jpeg { .. }) {
            let problem = format!("{} is a JPEG, whose levels are not linear", frame.name());
            return Err(Error::request(Setting::DarkFrame, problem));
        }
        let seconds = frame.settings.time.map(|t| t.0);
        let dark = fitting(&darks, seconds).ok_or_else(|| {
            let name = frame.name();
            Error::request(
                Setting::DarkFrame,
                format!("none has the exposure time of {name}"),
            )
        })?;
        if dark.picture.pixels.dim() != frame.picture.pixels.dim() {
            let name = file_name(&dark.picture.file);
            return Err(Error::request(
                Setting::DarkFrame,
                format!("{name} has another size than the frames"),
            ));
        }
        subtract_one(&mut frame.picture, &dark.picture.pixels);
        findings.push(Finding::DarkSubtracted {
            frame: frame.name(),
            dark: file_name(&dark.picture.file),
            same_time: same(dark.seconds, seconds),
        });
    }
    Ok(())
}

fn read(file: &Path, limits: &Limits) -> Result<Dark, Error> {
    let picture = read_picture(file, limits)?;
    let seconds = parse_exposure(&file_name(file), &picture.header, None)
        .settings
        .time;
    Ok(Dark {
        seconds: seconds.map(|t| t.0),
        picture,
    })
}

fn same(a: Option<f64>, b: Option<f64>) -> bool {
    let ratio = a.zip(b).map(|(a, b)| a / b);
    ratio.is_some_and(|r| (1.0 / SAME_TIME..=SAME_TIME).contains(&r))
}

/// The dark frame of the same exposure time, else the only one.
fn fitting(darks: &[Dark], seconds: Option<f64>) -> Option<&Dark> {
    let found = darks.iter().find(|d| same(d.seconds, seconds));
    found.or(match darks {
        [only] => Some(only),
        _ => None,
    })
}

/// Subtracts the dark frame and adds the black level.
fn subtract_one(picture: &mut Picture, dark: &Pixels) {
    let channels = picture.pixels.channels();
    if let (Some(raw), Pixels::U16(samples), Pixels::U16(dark)) =
        (&picture.raw, &mut picture.pixels, dark)
    {
        let planes = raw.mosaic.map(|m| m.planes());
        let step = |levels: &[f64]| -> Vec<i32> {
            levels
                .iter()
                .map(|v| (v * 65535.0).round() as i32)
                .collect()
        };
        let (black, white) = (step(&raw.black), step(&raw.white));
        let guard = (2.0 * raw.code * 65535.0) as i32;
        for ((place, sample), dark) in samples.indexed_iter_mut().zip(dark) {
            let (row, column, channel) = place;
            let plane = planes.map_or(channel, |p| p[row % 2 * 2 + column % 2]);
            let value = i32::from(*sample);
            // Clipped samples stay clipped.
            if value < white[plane] - guard {
                *sample = (value - i32::from(*dark) + black[plane]).clamp(0, 65535) as u16;
            }
        }
        return;
    }
    let full = picture.pixels.full_scale();
    let (rows, columns, _) = picture.pixels.dim();
    let light = (1.0 - PEDESTAL) * 65535.0;
    let samples = Array3::from_shape_fn((rows, columns, channels), |(r, c, k)| {
        let value = f64::from(picture.pixels.level(r, c, k));
        if value >= 1.0 {
            return u16::MAX;
        }
        let difference = value - f64::from(dark.level(r, c, k));
        (difference * light + PEDESTAL * 65535.0)
            .round()
            .clamp(0.0, 65534.0) as u16
    });
    picture.pixels = Pixels::U16(samples);
    picture.raw = Some(Box::new(Raw {
        black: vec![PEDESTAL; channels],
        white: vec![1.0; channels],
        code: (1.0 - PEDESTAL) / full.max(255.0),
        ..Raw::default()
    }));
}
