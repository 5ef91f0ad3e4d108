//! Makes the raw frames of a bracket alike: one white balance, one camera colour space, one black level.
use super::camera_colour::{camera_space, neutral_of};
use stopspan_core::finding::Finding;
use stopspan_core::model::Frame;
use stopspan_core::model::Raw;
use stopspan_core::raster::Pixels;
use stopspan_core::{Error, Setting};

/// Gives all raw frames the white balance and colour space of the reference, which only concern the interpretation of
/// samples, and changes samples to the black level of the reference where it differs. Frames that are not raw are
/// unchanged. `neutral` is a position (column, row) in the reference that is to be neutral.
///
/// # Errors
/// [`Error::Request`] for a neutral position outside the frame, clipped or without light, or if the frames have no
/// raw colour.
pub(super) fn unify(
    frames: &mut [Frame],
    reference: usize,
    neutral: Option<(f64, f64)>,
    findings: &mut Vec<Finding>,
) -> Result<(), Error> {
    let Some(frame) = frames.get(reference) else {
        return Ok(());
    };
    let Some(mut main) = frame.picture.raw.clone() else {
        return match neutral {
            Some(_) => Err(Error::request(
                Setting::Neutral,
                "only raw frames are balanced",
            )),
            None => Ok(()),
        };
    };
    if let Some(place) = neutral {
        main.colour.neutral = Some(picked(&main, &frame.picture.pixels, place)?);
    }
    let name = frame.name();
    findings.extend(corrections(frames));
    let baseline = main.baseline_exposure.filter(|s| s.abs() >= 0.005);
    findings.extend(baseline.map(|stops| Finding::BaselineExposure {
        frame: name.clone(),
        stops,
    }));
    let coloured = main.black.len() >= 3;
    let space = camera_space(&main.colour).filter(|_| coloured);
    main.colour.neutral = neutral_of(&main.colour);
    if coloured {
        findings.push(match (&space, main.colour.neutral) {
            (Some(space), _) => Finding::ColoursByMatrices {
                temperature_k: space.temperature,
            },
            (None, neutral) => Finding::ColoursUnknown {
                frame: name,
                used: match neutral {
                    Some(_) => "white is balanced, and the camera's red, green and blue were taken as sRGB's".into(),
                    None => "red, green and blue were left as the sensor has them".into(),
                },
            },
        });
    }
    for frame in frames.iter_mut() {
        let Some(raw) = &mut frame.picture.raw else {
            continue;
        };
        raw.colour = main.colour.clone();
        frame.picture.header.primaries = space.map(|s| s.primaries);
        move_black(raw, &mut frame.picture.pixels, &main);
    }
    Ok(())
}

/// Camera red, green and blue around a position, relative to green: means over a window of about 1 % of the frame's
/// shorter side.
fn picked(raw: &Raw, pixels: &Pixels, (x, y): (f64, f64)) -> Result<[f64; 3], Error> {
    let refuse = |problem: &str| Err(Error::request(Setting::Neutral, problem));
    let (rows, columns, channels) = pixels.dim();
    if raw.black.len() < 3 {
        return refuse("the frames have no colour");
    }
    if x >= columns as f64 || y >= rows as f64 {
        return refuse("it lies outside the reference frame");
    }
    let half = (columns.min(rows) / 200).max(4);
    let (row, column) = (y as usize, x as usize);
    let (mut sums, mut counts, mut clipped) = ([0.0; 3], [0usize; 3], 0);
    for r in row.saturating_sub(half)..(row + half).min(rows) {
        for c in column.saturating_sub(half)..(column + half).min(columns) {
            for k in 0..channels {
                let (plane, colour) = match raw.mosaic {
                    Some(m) => (m.planes()[r % 2 * 2 + c % 2], m.colour(r, c)),
                    None => (k, k),
                };
                let level = f64::from(pixels.level(r, c, k));
                sums[colour] += level - raw.black[plane];
                counts[colour] += 1;
                clipped += usize::from(level >= 0.98 * raw.white[plane]);
            }
        }
    }
    let means: [f64; 3] = std::array::from_fn(|k| sums[k] / counts[k].max(1) as f64);
    if clipped * 100 > counts.iter().sum() {
        return refuse("it is clipped in the reference frame; choose another place or reference");
    }
    if means.iter().any(|m| *m <= 2.0 * raw.code) {
        return refuse(
            "it holds no light in the reference frame; choose another place or reference",
        );
    }
    Ok(means.map(|m| m / means[1]))
}

/// Corrections that the files ask for and that are not applied, without duplicates.
fn corrections(frames: &[Frame]) -> Vec<Finding> {
    let mut first: Vec<(String, &Vec<String>)> = Vec::new();
    for frame in frames {
        let raw = frame.picture.raw.as_ref();
        let names = raw.map(|r| &r.corrections).filter(|n| !n.is_empty());
        if let Some(names) = names.filter(|n| first.iter().all(|(_, seen)| seen != n)) {
            first.push((frame.name(), names));
        }
    }
    let finding = |(frame, names): (String, &Vec<String>)| Finding::CorrectionsNotMade {
        frame,
        names: names.clone(),
    };
    first.into_iter().map(finding).collect()
}

/// Shifts the samples so that black is where the main frame has it, because cameras that measure black for every
/// frame state different levels. The shift is rounded to a 16-bit step, a fraction of a code of the file.
fn move_black(raw: &mut Raw, pixels: &mut Pixels, main: &Raw) {
    let alike =
        raw.black.len() == main.black.len() && raw.mosaic == main.mosaic && raw.code == main.code;
    if !alike || raw.black == main.black {
        return;
    }
    let steps: Vec<i32> = raw
        .black
        .iter()
        .zip(&main.black)
        .map(|(own, wanted)| ((wanted - own) * 65535.0).round() as i32)
        .collect();
    if let Pixels::U16(samples) = pixels {
        let planes = raw.mosaic.map(|m| m.planes());
        for ((row, column, channel), sample) in samples.indexed_iter_mut() {
            let plane = planes.map_or(channel, |p| p[row % 2 * 2 + column % 2]);
            *sample = (i32::from(*sample) + steps[plane]).clamp(0, 65535) as u16;
        }
        for (white, step) in raw.white.iter_mut().zip(&steps) {
            *white += f64::from(*step) / 65535.0;
        }
        raw.black.clone_from(&main.black);
    }
}
