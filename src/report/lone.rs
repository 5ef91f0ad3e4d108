//! Entries of pictures without a bracket: grouped by camera, and what is drawn of them.
use crate::figure::{BracketFigures, Strip, strip_of_pixels};
use crate::words;
use stopspan_core::model::{DisplayConversion, FileDigest, Frame};
use stopspan_core::results::{BracketReport, LonePicture, Measurement, WithoutBracket};

/// A measured picture with all that its camera's entry is made of.
#[derive(Debug, Clone)]
pub struct LoneEntry {
    /// The measurement.
    pub picture: LonePicture,
    /// Camera name from the metadata.
    pub camera: Option<String>,
    /// The file and its sum.
    pub file: FileDigest,
    /// The wedge in the picture.
    pub strip: Option<Strip>,
}

/// One camera's entry, with the strips of its pictures in their order.
#[derive(Debug, Clone)]
pub struct LoneGroup {
    /// The entry; its name is the camera's, or the file's, and not yet unique.
    pub entry: WithoutBracket,
    /// What the page and the sheets show.
    pub figures: BracketFigures,
}

/// Groups pictures by the camera that their metadata name; a picture without one stands alone. The order is that of the input.
pub fn by_camera(measured: Vec<LoneEntry>) -> Vec<LoneGroup> {
    let mut groups: Vec<Vec<LoneEntry>> = Vec::new();
    for one in measured {
        let same =
            |group: &&mut Vec<LoneEntry>| one.camera.is_some() && group[0].camera == one.camera;
        match groups.iter_mut().find(same) {
            Some(group) => group.push(one),
            None => groups.push(vec![one]),
        }
    }
    groups.into_iter().map(group).collect()
}

fn group(pictures: Vec<LoneEntry>) -> LoneGroup {
    let camera = pictures[0].camera.clone();
    let file = std::path::Path::new(&pictures[0].picture.path);
    let stem = file.file_stem().map(|s| s.to_string_lossy().into_owned());
    let sums: Vec<FileDigest> = pictures.iter().map(|p| p.file.clone()).collect();
    let name = camera.clone().or(stem).unwrap_or_default();
    let (pictures, strips) = pictures.into_iter().map(|p| (p.picture, p.strip)).unzip();
    let mut entry = WithoutBracket {
        name: safe(&name),
        headline: String::new(),
        inputs_sha256: Some(crate::assemble::sum_of_sums(&sums)),
        camera,
        pictures,
        outputs: Vec::new(),
    };
    entry.headline = words::lone::headline(&entry);
    LoneGroup {
        entry,
        figures: BracketFigures {
            strips,
            ..BracketFigures::default()
        },
    }
}

/// A name that can be that of a folder.
pub(crate) fn safe(name: &str) -> String {
    let plain = |c: char| c.is_alphanumeric() || "-_.".contains(c);
    let name: String = name
        .chars()
        .map(|c| if plain(c) { c } else { '_' })
        .collect();
    let name = name.trim_start_matches('.');
    if name.is_empty() {
        "pictures".to_owned()
    } else {
        name.to_owned()
    }
}

/// The wedge of a picture as the file shows it.
pub fn lone_strip(picture: &LonePicture, frame: &Frame) -> Option<Strip> {
    let primaries = stopspan_core::model::colour::stated_colour(&frame.picture.header).primaries;
    let shown = DisplayConversion::of_frame(frame, &primaries);
    let mut strip = strip_of_pixels(&picture.measured, &frame.picture.pixels, shown)?;
    if frame.picture.raw.is_some() {
        strip.note = "white-balanced, by sRGB's curve".into();
    } else {
        strip.note = format!("light: {}", words::lone::light_name(&picture.light));
    }
    Some(strip)
}

/// The pictures of a camera as those of a bracket without merge, for what draws either.
pub fn as_bracket(entry: &WithoutBracket) -> BracketReport {
    let measured = entry.pictures.iter().map(|p| p.measured.clone());
    BracketReport {
        name: entry.name.clone(),
        headline: entry.headline.clone(),
        inputs_sha256: entry.inputs_sha256.clone(),
        camera: entry.camera.clone(),
        pictures: Measurement {
            frames: measured.collect(),
            ..Measurement::default()
        },
        outputs: entry.outputs.clone(),
        ..BracketReport::default()
    }
}
