//! Lists the picture files among the inputs, and what was skipped and why.
use super::overrides::Overrides;
use serde::Serialize;
use std::cmp::Ordering;
use std::collections::HashSet;
use std::io::Read;
use std::path::{Path, PathBuf};
use stopspan_core::error::InputProblem;
use stopspan_core::model::Format;
use stopspan_core::model::file_name;
use stopspan_core::results::NOT_A_PICTURE;
use stopspan_core::{Error, Setting};
use stopspan_formats as formats;
use stopspan_formats::OtherKind;

/// Why an input was skipped.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum SkipReason {
    /// Neither its content nor its name is that of a picture.
    NotAPicture,
    /// A radiance map, i.e. a result, not a frame. Radiance RGBE always is one. OpenEXR is one if it has no exposure
    /// time and the user states none, or if this program wrote it.
    RadianceMap,
    /// A still picture of a format that is not read: its name.
    OtherStill(&'static str),
    /// A video.
    Video,
    /// Its name begins with a dot.
    Hidden,
    /// A folder beside pictures, or two folders down; only a folder of folders is looked into, one level.
    Subfolder,
    /// A folder that holds results of an earlier run.
    Results,
    /// The same file was given before, possibly by another path.
    GivenTwice,
}

impl SkipReason {
    /// The reason in words.
    pub fn words(self) -> String {
        let plain = match self {
            SkipReason::NotAPicture => NOT_A_PICTURE,
            SkipReason::RadianceMap => {
                return format!(
                    "a radiance map, which the command measure takes; an OpenEXR frame states its exposure time, or is given one with {}",
                    Setting::Exposure
                );
            }
            SkipReason::OtherStill(name) => {
                return format!(
                    "a {name} picture, which is not read: save it as PNG, or as JPEG of the best quality"
                );
            }
            SkipReason::Video => "a video: to measure it, save a still from it as PNG",
            SkipReason::Hidden => "hidden (its name begins with a dot)",
            SkipReason::Subfolder => "subfolder skipped; name it to have it looked at",
            SkipReason::Results => "results of an earlier run",
            SkipReason::GivenTwice => "given twice",
        };
        plain.into()
    }
}

/// An input that was skipped.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Skipped {
    /// The file or folder.
    pub file: PathBuf,
    /// The reason.
    pub reason: SkipReason,
}

/// Picture files among the inputs, by folder and name, and the files skipped.
#[derive(Debug, Default)]
pub(crate) struct Listing {
    pub files: Vec<PathBuf>,
    pub skipped: Vec<Skipped>,
    pub failed: Vec<Error>,
    seen: HashSet<PathBuf>,
}

/// Lists every input: a file itself, a folder's files, and where a folder holds no file to look at, those of its folders (one level;
/// symbolic links are followed).
pub(crate) fn list(inputs: &[PathBuf], overrides: &Overrides) -> Listing {
    let mut inputs: Vec<&PathBuf> = inputs.iter().collect();
    inputs.sort_by(|a, b| by_folder_and_name(a, b));
    let mut listing = Listing::default();
    for input in inputs {
        if input.is_dir() {
            listing.folder(input, true, overrides);
        } else {
            listing.file(input, true, overrides);
        }
    }
    listing.files.sort_by(|a, b| by_folder_and_name(a, b));
    listing.skipped.sort();
    listing
}

impl Listing {
    fn skip(&mut self, file: &Path, reason: SkipReason) {
        self.skipped.push(Skipped {
            file: file.to_path_buf(),
            reason,
        });
    }

    fn folder(&mut self, folder: &Path, named: bool, overrides: &Overrides) {
        let unreadable = |e| Error::input_because(folder, InputProblem::Unreadable, e);
        let entries: Result<Vec<PathBuf>, _> =
            std::fs::read_dir(folder).and_then(|all| all.map(|e| e.map(|e| e.path())).collect());
        let mut entries = match entries {
            Ok(entries) => entries,
            Err(e) => return self.failed.push(unreadable(e)),
        };
        entries.sort_by(|a, b| by_folder_and_name(a, b));
        let before = self.files.len() + self.failed.len();
        let (folders, files): (Vec<PathBuf>, Vec<PathBuf>) =
            entries.into_iter().partition(|entry| entry.is_dir());
        for file in files {
            match file_name(&file).starts_with('.') {
                true => self.skip(&file, SkipReason::Hidden),
                false => self.file(&file, false, overrides),
            }
        }
        let of_folders = named && self.files.len() + self.failed.len() == before;
        for inner in folders {
            if file_name(&inner).starts_with('.') {
                self.skip(&inner, SkipReason::Hidden);
            } else if holds_results(&inner) {
                self.skip(&inner, SkipReason::Results);
            } else if of_folders {
                self.folder(&inner, false, overrides);
            } else {
                self.skip(&inner, SkipReason::Subfolder);
            }
        }
    }

    fn file(&mut self, file: &Path, named: bool, overrides: &Overrides) {
        let first = match first_bytes(file) {
            Ok(first) => first,
            Err(e) => {
                let error = Error::input_because(file, InputProblem::Unreadable, e);
                return self.failed.push(error);
            }
        };
        if !self
            .seen
            .insert(file.canonicalize().unwrap_or_else(|_| file.to_path_buf()))
        {
            return self.skip(file, SkipReason::GivenTwice);
        }
        let raw = formats::raw_family(&first)
            .or_else(|| claims_raw(file).then_some(formats::UNKNOWN_FAMILY));
        match (formats::sniff(&first), raw) {
            (Some(Format::Rgbe), _) => self.skip(file, SkipReason::RadianceMap),
            (Some(Format::OpenExr), _) if !is_exr_frame(file, overrides) => {
                self.skip(file, SkipReason::RadianceMap);
            }
            (Some(_), _) => self.files.push(file.to_path_buf()),
            (None, Some(family)) => {
                let problem = InputProblem::OtherRaw(family);
                self.failed.push(Error::input(file, problem));
            }
            (None, None) => self.other_kind(file, named, formats::other_kind(&first)),
        }
    }

    /// A file of a kind that is not read: an error where it was named or claims to be a picture of a kind that is, else skipped.
    fn other_kind(&mut self, file: &Path, named: bool, kind: Option<OtherKind>) {
        let (problem, reason) = match kind {
            Some(OtherKind::Still(name)) => {
                (InputProblem::OtherStill(name), SkipReason::OtherStill(name))
            }
            Some(OtherKind::Video) => (InputProblem::Video, SkipReason::Video),
            None => (InputProblem::UnknownFormat, SkipReason::NotAPicture),
        };
        if named || claims_picture(file) {
            self.failed.push(Error::input(file, problem));
        } else {
            self.skip(file, reason);
        }
    }
}

/// True if a run left its results in a folder: a report, or a finished bracket.
fn holds_results(folder: &Path) -> bool {
    let holds = |name: &str| folder.join(name).is_file();
    holds("report.json") || holds("done.json") || holds("radiance.exr")
}

/// True if an OpenEXR file is a frame of a bracket: the user states its exposure, or its header has an exposure time
/// and it is not a map.
fn is_exr_frame(file: &Path, overrides: &Overrides) -> bool {
    overrides.exposure_of(file).is_some() || formats::openexr::states_exposure(file)
}

/// First bytes of a regular file, as many as recognition needs.
fn first_bytes(file: &Path) -> std::io::Result<Vec<u8>> {
    if !std::fs::metadata(file)?.is_file() {
        return Err(std::io::Error::other(
            "it is a device or a pipe, not a file",
        ));
    }
    let mut first = Vec::with_capacity(16);
    std::fs::File::open(file)?
        .take(16)
        .read_to_end(&mut first)?;
    Ok(first)
}

/// True if the file extension is that of a supported picture format.
fn claims_picture(file: &Path) -> bool {
    let ending = file
        .extension()
        .map(|e| e.to_string_lossy().to_ascii_lowercase());
    ending.is_some_and(|e| {
        matches!(
            e.as_str(),
            "jpg" | "jpeg" | "jpe" | "png" | "tif" | "tiff" | "dng" | "exr"
        )
    })
}

/// True if the file extension is that of a raw format without TIFF structure (common practice, no source).
fn claims_raw(file: &Path) -> bool {
    const ENDINGS: [&str; 6] = ["cr3", "crw", "orf", "raf", "rw2", "x3f"];
    let ending = file
        .extension()
        .map(|e| e.to_string_lossy().to_ascii_lowercase());
    ending.is_some_and(|e| ENDINGS.contains(&e.as_str()))
}

/// Compares paths by folder (plain order), then by name (natural order: 2 before 10).
pub(crate) fn by_folder_and_name(a: &Path, b: &Path) -> Ordering {
    a.parent()
        .cmp(&b.parent())
        .then_with(|| natural(&file_name(a), &file_name(b)))
        .then_with(|| a.cmp(b))
}

/// Compares names, runs of digits as numbers.
fn natural(a: &str, b: &str) -> Ordering {
    let (mut a, mut b) = (a, b);
    loop {
        let (Some(first), Some(second)) = (a.chars().next(), b.chars().next()) else {
            return a.len().cmp(&b.len());
        };
        if first.is_ascii_digit() && second.is_ascii_digit() {
            let (x, rest_a) = digits(a);
            let (y, rest_b) = digits(b);
            let order = x.len().cmp(&y.len()).then_with(|| x.cmp(y));
            if order != Ordering::Equal {
                return order;
            }
            (a, b) = (rest_a, rest_b);
        } else {
            if first != second {
                return first.cmp(&second);
            }
            (a, b) = (&a[first.len_utf8()..], &b[second.len_utf8()..]);
        }
    }
}

/// Leading run of digits without leading zeros, and the rest.
fn digits(text: &str) -> (&str, &str) {
    let end = text.bytes().take_while(u8::is_ascii_digit).count();
    (text[..end].trim_start_matches('0'), &text[end..])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_in_natural_order() {
        let mut names = ["b10", "b9", "a", "b09", "B1", "b9c", "b", "10", "9"];
        names.sort_by(|a, b| natural(a, b).then_with(|| a.cmp(b)));
        assert_eq!(
            names,
            ["9", "10", "B1", "a", "b", "b09", "b9", "b9c", "b10"]
        );
    }
}
