//! What the user asks of the sheets, held against the pictures that there are, before anything is done.
use super::Settings;
use std::path::Path;
use stopspan_core::model::file_name;
use stopspan_core::results::{PictureKind, RENDERED_FILE};
use stopspan_core::{Error, Setting};
use stopspan_formats as formats;
use stopspan_frames::Survey;
use stopspan_report::sheet::{Crop, CropPlace};
use stopspan_report::words::kind_name;

/// Largest number of names that an error lists.
const LISTED: usize = 30;

/// Refuses pictures that are not there, and places that mean two things or lie outside their picture.
///
/// # Errors
/// [`Error::Request`].
pub(super) fn check(settings: &Settings, survey: &Survey) -> Result<(), Error> {
    let files: Vec<&Path> = files(survey).collect();
    for name in &settings.sheets.pictures {
        let kinds = KINDS.map(kind_name);
        let there = files.iter().any(|f| file_name(f) == *name);
        if !there && !kinds.contains(&name.as_str()) && name != RENDERED_FILE {
            let problem = format!(
                "there is no such picture; there are {}, {}",
                kinds.join(", "),
                listed(&files)
            );
            return Err(Error::request_of(Setting::SheetPictures, name, problem));
        }
    }
    settings
        .sheets
        .crops
        .iter()
        .try_for_each(|crop| crop_lies_in(crop, settings, (survey, &files)))
}

const KINDS: [PictureKind; 4] = [
    PictureKind::Frame,
    PictureKind::CameraHdr,
    PictureKind::Merge,
    PictureKind::Rendered,
];

/// Every picture of the survey.
fn files(survey: &Survey) -> impl Iterator<Item = &Path> {
    let frames = survey.brackets.iter().flat_map(|b| b.files());
    let finished = survey.camera_hdr.iter().map(|h| h.file.as_path());
    let singles = survey.singles.iter().map(|s| s.as_path());
    frames.chain(finished).chain(singles)
}

fn listed(files: &[&Path]) -> String {
    let mut names: Vec<String> = files.iter().take(LISTED).map(|f| file_name(f)).collect();
    if files.len() > LISTED {
        names.push(format!("and {} more", files.len() - LISTED));
    }
    names.join(", ")
}

/// Words of a place as it is given.
fn given(crop: &Crop) -> String {
    let place = match crop.place {
        CropPlace::Rectangle(sides) => sides.map(|v| v.to_string()).join(","),
        CropPlace::Point(x, y) => format!("{x},{y}"),
        _ => String::new(),
    };
    match &crop.picture {
        Some(file) => format!("{file}@{place}"),
        None => place,
    }
}

fn crop_lies_in(
    crop: &Crop,
    settings: &Settings,
    (survey, files): (&Survey, &[&Path]),
) -> Result<(), Error> {
    let (right, bottom) = match crop.place {
        CropPlace::Point(x, y) => (x, y),
        CropPlace::Rectangle([_, _, right, bottom]) => (right, bottom),
        _ => return Ok(()),
    };
    let refused = |problem: String| Err(Error::request_of(Setting::Crop, given(crop), problem));
    let file = match (&crop.picture, survey.brackets.as_slice()) {
        (Some(name), _) => {
            // A name may be given with the folders before it, where several files have it.
            let mut named: Vec<&Path> = files.to_vec();
            named.retain(|f| f.ends_with(name));
            named.sort();
            named.dedup();
            match named[..] {
                [] => {
                    return refused(format!(
                        "there is no such picture; there are {}",
                        listed(files)
                    ));
                }
                [file] => file,
                _ => {
                    return refused(
                        "several pictures have that name; write its folder before it".to_owned(),
                    );
                }
            }
        }
        (None, [only]) if survey.singles.is_empty() && survey.camera_hdr.is_empty() => {
            let reference = only.frames.get(only.reference);
            reference.map_or(Path::new(""), |f| f.file.as_path())
        }
        (None, _) => {
            return refused(format!(
                "there are several pictures it could be of; name one, as in FILE@X,Y: {}",
                listed(files)
            ));
        }
    };
    let (_, header) = formats::read_format(file, &settings.overrides.limits)?;
    if right > header.columns as f64 || bottom > header.rows as f64 {
        return refused(format!(
            "lies outside {}, which has {} columns and {} rows",
            file_name(file),
            header.columns,
            header.rows
        ));
    }
    Ok(())
}
