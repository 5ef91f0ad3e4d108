//! Headline of a bracket: steps resolved and dynamic range of the merge, the camera's HDR picture and the best single frame.
use super::number;
use crate::cameras::single_of;
use stopspan_core::model::ExposureSource;
use stopspan_core::results::{BracketReport, FrameEntry, PictureMeasurement};

/// Returns the headline: how many steps of the wedge the merge, the camera's HDR picture and the best single frame resolve by `noise`,
/// and their dynamic range in stops from clipping to SNR 1. Without a wedge it gives ranges only; without either it refers to the
/// notes.
pub fn headline(bracket: &BracketReport) -> String {
    let mut sentences = Vec::new();
    let (steps, range) = (steps(bracket), range(bracket));
    match (&steps, &range) {
        (None, None) => {
            sentences.push("No picture could be measured; the notes give the reasons.".into())
        }
        (Some(_), None) => sentences.extend([
            steps.unwrap_or_default(),
            "No dynamic range could be given.".into(),
        ]),
        (None, Some(_)) => sentences.extend([
            range.unwrap_or_default(),
            "No wedge was measured, so no steps are counted.".into(),
        ]),
        (Some(_), Some(_)) => sentences.extend(steps.into_iter().chain(range)),
    }
    let guessed = |f: &FrameEntry| f.exposure.source == ExposureSource::Guessed;
    if bracket.frames.iter().any(guessed) {
        sentences.push(
            "No exposure is known: all figures in stops are relative to an assumed span.".into(),
        );
    }
    sentences.join(" ")
}

/// Text of one number of a picture; `None` where the picture has no such number.
type Number<'f> = &'f dyn Fn(&PictureMeasurement) -> Option<String>;

/// The number of the merge, of the camera's HDR picture and of the single frame to use where nothing is merged, each with its name.
fn of_each(bracket: &BracketReport, number: Number) -> Vec<(String, String)> {
    let pictures = &bracket.pictures;
    let finished = [
        (&pictures.merge, "the merge"),
        (&pictures.camera, "the camera's HDR"),
    ];
    let mut parts: Vec<(String, String)> = finished
        .into_iter()
        .filter_map(|(picture, name)| Some((name.to_owned(), number(picture.as_ref()?)?)))
        .collect();
    let single = single_of(bracket).and_then(|p| Some((p, number(p)?)));
    parts.extend(single.map(|(picture, text)| {
        let name = if pictures.frames.len() == 1 {
            "the single frame"
        } else {
            "the best single frame"
        };
        (format!("{name} ({})", picture.file), text)
    }));
    parts
}

/// "The merge resolves 21 of 21 steps, the best single frame (a.jpg) 18."
fn steps(bracket: &BracketReport) -> Option<String> {
    let total = bracket.pictures.steps()?;
    let resolved = |p: &PictureMeasurement| {
        let levels = p.levels?;
        // Compression or filtering hides the noise of single pixels: the count by the larger noise of blocks is added.
        let block = levels.block.filter(|b| *b < levels.noise);
        let block = block.map_or_else(String::new, |b| format!(" ({b} by 8 x 8 means)"));
        Some(format!("{}{block}", levels.noise))
    };
    let parts = of_each(bracket, &resolved);
    let said = parts.iter().enumerate().map(|(k, (name, number))| match k {
        0 => format!("{} resolves {number} of {total} steps", capitalised(name)),
        _ => format!("{name} {number}"),
    });
    let said: Vec<String> = said.collect();
    (!said.is_empty()).then(|| format!("{}.", said.join(", ")))
}

/// "Dynamic range at SNR 1: the merge 12.1 stops, the best single frame (a.jpg) 9.9."
fn range(bracket: &BracketReport) -> Option<String> {
    let stops = |p: &PictureMeasurement| {
        let usable = p.at_snr(1.0)?;
        number::stops(usable)
    };
    let parts = of_each(bracket, &stops);
    let said = parts.iter().enumerate().map(|(k, (name, number))| match k {
        0 => format!("{name} {number} stops"),
        _ => format!("{name} {number}"),
    });
    let said: Vec<String> = said.collect();
    (!said.is_empty()).then(|| format!("Dynamic range at SNR 1: {}.", said.join(", ")))
}

/// The text with a capital letter at its start.
pub(crate) fn capitalised(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next().map(|c| c.to_uppercase().to_string());
    first.unwrap_or_default() + letters.as_str()
}
