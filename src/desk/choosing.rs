//! What is worked on: a folder, uploaded files or chosen pictures, and what the person says about them. All of it becomes inputs and
//! overrides of a run; nothing else decides.
use super::limits::limits;
use super::places::Places;
use super::reply::Refusal;
use super::shared::Shared;
use serde::Deserialize;
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use stopspan_core::model::file_name;
use stopspan_frames::{ExposureOverride, Overrides, Survey};

/// What was opened.
#[derive(Debug, Clone)]
pub(super) struct Opened {
    /// A folder, or pictures.
    pub paths: Vec<PathBuf>,
    /// Id of the upload it is.
    pub upload: Option<String>,
    /// Files of it that lead outside the folders that may be read.
    pub strays: Vec<PathBuf>,
}

impl Opened {
    pub fn new(paths: Vec<PathBuf>, upload: Option<String>, places: &Places) -> Self {
        let mut strays = Vec::new();
        for path in paths.iter().filter(|p| p.is_dir()) {
            collect_strays(path, places, &mut strays, 1);
        }
        Opened {
            paths,
            upload,
            strays,
        }
    }

    /// The name that results get unless the person gives another.
    pub fn name(&self) -> String {
        let first = self.paths.first().map(PathBuf::as_path);
        let folder = match (first, self.paths.len()) {
            (Some(path), 1) if path.is_dir() => Some(path),
            (path, _) => path.and_then(Path::parent),
        };
        let name = folder.map(file_name).unwrap_or_default();
        let plain = super::places::plain_name(&name).map(str::to_owned);
        plain.unwrap_or_else(|_| "pictures".into())
    }

    pub fn value(&self) -> Value {
        let folder = self.paths.first().filter(|p| p.is_dir());
        json!({ "folder": folder.map(|p| p.display().to_string()), "upload": self.upload, "name": self.name() })
    }
}

/// Entries of a folder, and of folders in it, whose links lead where may not be read.
fn collect_strays(folder: &Path, places: &Places, strays: &mut Vec<PathBuf>, deeper: usize) {
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        if places.readable(&path).is_err() {
            strays.push(path);
        } else if deeper > 0 && path.is_dir() {
            collect_strays(&path, places, strays, deeper - 1);
        }
    }
}

/// What the person says about the pictures.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Edits {
    excluded: BTreeSet<PathBuf>,
    /// The cameras' HDR pictures, all of them; `None`: recognised by evidence.
    camera_hdr: Option<BTreeSet<PathBuf>>,
    /// Frames, whatever their metadata.
    frames: BTreeSet<PathBuf>,
    exposures: Vec<(PathBuf, String)>,
    reference: Option<PathBuf>,
    groups: Vec<BTreeSet<PathBuf>>,
}

/// One edit, with ids of pictures.
#[derive(Debug, Clone, Deserialize)]
#[serde(tag = "edit", rename_all = "kebab-case", deny_unknown_fields)]
pub(super) enum Edit {
    Exclude {
        pictures: Vec<String>,
    },
    Include {
        pictures: Vec<String>,
    },
    CameraHdr {
        picture: String,
        is: bool,
    },
    Exposure {
        picture: String,
        value: Option<String>,
    },
    Reference {
        picture: Option<String>,
    },
    Join {
        pictures: Vec<String>,
    },
    Split {
        pictures: Vec<String>,
    },
    Undo {},
}

impl Edits {
    /// What is said after one more edit; `survey` tells which pictures are taken for cameras' own.
    pub fn after(&self, edit: &Edit, desk: &Shared, survey: &Survey) -> Result<Edits, Refusal> {
        let mut next = self.clone();
        let path = |id: &String| desk.picture(id);
        let paths = |ids: &[String]| ids.iter().map(path).collect::<Result<BTreeSet<_>, _>>();
        match edit {
            Edit::Exclude { pictures } => next.excluded.extend(paths(pictures)?),
            Edit::Include { pictures } => {
                let again = paths(pictures)?;
                next.excluded.retain(|p| !again.contains(p));
            }
            Edit::CameraHdr { picture, is } => next.mark(path(picture)?, *is, survey),
            Edit::Exposure { picture, value } => {
                let file = path(picture)?;
                next.exposures.retain(|(f, _)| *f != file);
                if let Some(value) = value {
                    stated(&file, value)?;
                    next.exposures.push((file, value.clone()));
                }
            }
            Edit::Reference { picture } => {
                next.reference = picture.as_ref().map(path).transpose()?;
            }
            Edit::Join { pictures } | Edit::Split { pictures } => next.gather(paths(pictures)?),
            Edit::Undo {} => {}
        }
        Ok(next)
    }

    fn mark(&mut self, file: PathBuf, is: bool, survey: &Survey) {
        self.frames.remove(&file);
        if is {
            let recognised = finished(survey).map(Path::to_path_buf);
            let all = self.camera_hdr.get_or_insert_with(|| recognised.collect());
            all.insert(file);
        } else if let Some(all) = &mut self.camera_hdr {
            all.remove(&file);
        } else {
            self.frames.insert(file);
        }
    }

    fn gather(&mut self, pictures: BTreeSet<PathBuf>) {
        for group in &mut self.groups {
            group.retain(|p| !pictures.contains(p));
        }
        self.groups.push(pictures);
        self.groups.retain(|g| !g.is_empty());
    }

    /// As overrides of a run.
    pub fn overrides(&self, strays: &[PathBuf]) -> Result<Overrides, Refusal> {
        let there = |p: &&PathBuf| !self.excluded.contains(*p) && !strays.contains(p);
        let list = |set: &BTreeSet<PathBuf>| set.iter().filter(there).cloned().collect::<Vec<_>>();
        let exposures = self.exposures.iter().filter(|(f, _)| there(&f));
        let mut groups: Vec<Vec<PathBuf>> = self.groups.iter().map(list).collect();
        groups.retain(|g| !g.is_empty());
        Ok(Overrides {
            exposures: exposures
                .map(|(f, text)| stated(f, text))
                .collect::<Result<_, _>>()?,
            reference: self.reference.as_ref().filter(there).cloned(),
            camera_hdr: self.camera_hdr.as_ref().map(list),
            not_hdr: list(&self.frames),
            groups,
            limits: limits(),
            ..Overrides::default()
        })
    }

    /// The inputs of a run: what was opened, or where files of it are left out, each of the others.
    pub fn inputs(&self, opened: &Opened) -> Result<Vec<PathBuf>, Refusal> {
        if self.excluded.is_empty() && opened.strays.is_empty() {
            return Ok(opened.paths.clone());
        }
        let plain = stopspan_frames::survey(&opened.paths, &Overrides::default())?;
        let failed = plain.failed.iter().map(|f| f.file.as_path());
        let files: BTreeSet<&Path> = pictures(&plain).chain(failed).collect();
        let kept = files.into_iter().filter(|f| {
            !self.excluded.contains(*f) && !opened.strays.iter().any(|s| f.starts_with(s))
        });
        Ok(kept.map(Path::to_path_buf).collect())
    }

    pub fn value(&self, desk: &Shared) -> Value {
        let id = |p: &PathBuf| desk.pictures.id(p);
        let ids = |set: &BTreeSet<PathBuf>| set.iter().map(id).collect::<Vec<_>>();
        let exposures = self.exposures.iter();
        let exposures = exposures.map(|(f, text)| json!({ "picture": id(f), "value": text }));
        json!({
            "excluded": ids(&self.excluded),
            "camera_hdr": self.camera_hdr.as_ref().map(ids),
            "frames": ids(&self.frames),
            "exposures": exposures.collect::<Vec<_>>(),
            "reference": self.reference.as_ref().map(id),
            "groups": self.groups.iter().map(ids).collect::<Vec<_>>(),
        })
    }

    /// The files left out.
    pub fn excluded(&self) -> impl Iterator<Item = &PathBuf> {
        self.excluded.iter()
    }
}

fn stated(file: &Path, value: &str) -> Result<ExposureOverride, Refusal> {
    Ok(ExposureOverride::parse(&format!(
        "{}={value}",
        file.display()
    ))?)
}

/// Every picture of a survey that could be read.
pub(super) fn pictures(survey: &Survey) -> impl Iterator<Item = &Path> {
    let frames = survey.brackets.iter().flat_map(|b| &b.frames);
    let frames = frames.map(|f| f.file.as_path());
    let singles = survey.singles.iter().map(PathBuf::as_path);
    frames.chain(finished(survey)).chain(singles)
}

/// The pictures that are taken for cameras' own HDR pictures.
pub(super) fn finished(survey: &Survey) -> impl Iterator<Item = &Path> {
    let of_brackets = survey.brackets.iter().filter_map(|b| b.camera_hdr.as_ref());
    let all = of_brackets.chain(&survey.camera_hdr);
    all.map(|h| h.file.as_path())
}
