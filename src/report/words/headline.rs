//! Headline of a bracket: steps told apart and usable range of the single frames, the camera's HDR picture and the merge.
use super::number;
use stopspan_core::model::ExposureSource;
use stopspan_core::results::{BracketReport, FrameEntry, Measurement, PictureMeasurement};

/// Maximum number of frames whose numbers are listed; of more frames the lowest and the highest are given.
const LISTED: usize = 4;

/// Returns the headline: how many steps of the wedge each single frame, the camera's HDR picture and the merge tell apart by `noise`, and
/// the stops between clipping and SNR 1 of each. Without a wedge it gives stops only; without either it refers to the findings. A
/// sentence on the comparison with the camera's HDR picture follows if there is one.
pub fn headline(bracket: &BracketReport) -> String {
    let mut answer = pictures(bracket);
    let guessed = |f: &FrameEntry| f.exposure.source == ExposureSource::Guessed;
    if bracket.frames.iter().any(guessed) {
        answer.push_str(" No exposure is known: all stops are relative to a guessed span.");
    }
    match bracket.comparison.as_ref().and_then(super::comparison) {
        Some(comparison) => format!("{answer} {comparison}"),
        None => answer,
    }
}

fn pictures(bracket: &BracketReport) -> String {
    match (levels(&bracket.pictures), range(&bracket.pictures)) {
        (Some(levels), Some(range)) => format!("{levels}; {range}."),
        (Some(levels), None) => format!("{levels}; no range could be given."),
        (None, Some(range)) => format!("No wedge was measured, so no steps are counted; {range}."),
        (None, None) => "No picture could be measured: the findings say why.".to_owned(),
    }
}

/// One number of one picture: its text, and the value by which pictures are ranked.
struct Ranked<'a> {
    file: &'a str,
    text: String,
    value: f64,
}

/// Value and text of one number of a picture; `None` where the picture has no such number.
type Number<'f> = &'f dyn Fn(&PictureMeasurement) -> Option<(f64, String)>;

impl<'a> Ranked<'a> {
    fn of(picture: &'a PictureMeasurement, number: Number) -> Option<Self> {
        let (value, text) = number(picture)?;
        Some(Ranked {
            file: &picture.file,
            text,
            value,
        })
    }
}

fn levels(pictures: &Measurement) -> Option<String> {
    let steps = pictures.steps()?;
    let said = |p: &PictureMeasurement| {
        let levels = p.levels?;
        let mut text = count_words(levels.noise, levels.steps);
        // Compression or filtering hides the noise of single pixels: the count by the larger noise of blocks is added.
        if let Some(block) = levels.block.filter(|b| *b < levels.noise) {
            text.push_str(&format!(" ({block} by 8 x 8 means)"));
        }
        Some((levels.noise as f64, text))
    };
    let of_wedge = format!("of the wedge's {steps} steps");
    let mut parts = Vec::new();
    let frames = pictures.frames.iter().filter_map(|p| Ranked::of(p, &said));
    let frames: Vec<Ranked> = frames.collect();
    let verb = if frames.len() == 1 { "tells" } else { "tell" };
    if let Some(text) = group(&frames, |n| format!("{verb} apart {n} {of_wedge}")) {
        parts.push(text);
    }
    parts.extend(finished(
        pictures,
        &said,
        |n, first| {
            if first {
                format!(" tells apart {n} {of_wedge}")
            } else {
                format!(" {n}")
            }
        },
        parts.is_empty(),
    ));
    Some(format!("By noise, {}", join(&parts)))
}

fn range(pictures: &Measurement) -> Option<String> {
    let said = |p: &PictureMeasurement| {
        let usable = p.at_snr(1.0)?;
        Some((usable.stops?, number::stops(usable)?))
    };
    let mut parts = Vec::new();
    let frames = pictures.frames.iter().filter_map(|p| Ranked::of(p, &said));
    let frames: Vec<Ranked> = frames.collect();
    let verb = if frames.len() == 1 { "holds" } else { "hold" };
    if let Some(text) = group(&frames, |n| format!("{verb} {n} stops")) {
        parts.push(text);
    }
    parts.extend(finished(
        pictures,
        &said,
        |n, first| {
            if first {
                format!(" holds {n} stops")
            } else {
                format!(" {n}")
            }
        },
        parts.is_empty(),
    ));
    (!parts.is_empty()).then(|| format!("from clipping down to SNR 1, {}", join(&parts)))
}

/// One phrase for all single frames, with the name of the best; `None` without frames.
fn group(frames: &[Ranked], verb: impl Fn(&str) -> String) -> Option<String> {
    let best = frames
        .iter()
        .reduce(|a, b| if b.value > a.value { b } else { a })?;
    let worst = frames
        .iter()
        .reduce(|a, b| if b.value < a.value { b } else { a })?;
    if frames.len() == 1 {
        return Some(format!("the single frame {}", verb(&best.text)));
    }
    let texts: Vec<String> = frames.iter().map(|f| f.text.clone()).collect();
    let same = best.text == worst.text;
    let numbers = match frames.len() {
        _ if same => best.text.clone(),
        ..=LISTED => join(&texts),
        _ => format!("{} to {}", worst.text, best.text),
    };
    let each = if same { " each" } else { "" };
    let most: Vec<&str> = frames
        .iter()
        .filter(|f| f.text == best.text)
        .map(|f| f.file)
        .collect();
    let named = match most.as_slice() {
        [one] => format!(" (most: {one})"),
        [one, other] if !same => format!(" (most: {one} and {other})"),
        _ => String::new(),
    };
    Some(format!("the single frames {}{each}{named}", verb(&numbers)))
}

/// A phrase each for the camera's HDR picture and the merge. `first`: no phrase before has the verb, so the first one needs it.
fn finished(
    pictures: &Measurement,
    said: Number,
    phrase: impl Fn(&str, bool) -> String,
    mut first: bool,
) -> Vec<String> {
    let mut parts = Vec::new();
    for (picture, name) in [
        (&pictures.camera, "the camera's HDR picture"),
        (&pictures.merge, "the merge"),
    ] {
        if let Some(one) = picture.as_ref().and_then(|p| Ranked::of(p, said)) {
            parts.push(format!("{name}{}", phrase(&one.text, first)));
            first = false;
        }
    }
    parts
}

fn count_words(levels: usize, steps: usize) -> String {
    if levels == steps {
        format!("all {steps}")
    } else {
        levels.to_string()
    }
}

/// Joins parts as "a", "a and b", "a, b and c".
fn join(parts: &[String]) -> String {
    match parts {
        [] => String::new(),
        [one] => one.clone(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    }
}
