//! Which folders may be read and written, and what is in them.
//!
//! Read: the folder the desk was started with, the person's own folder, and the results. Written: the results alone. A path is judged by
//! where it leads once all links are followed.
use super::ids::Register;
use super::reply::Refusal;
use hyper::StatusCode;
use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use stopspan_core::model::file_name;

/// Most entries of a folder that are listed.
const LISTED: usize = 5000;
/// Endings of picture files that are read.
const PICTURES: [&str; 8] = ["jpg", "jpeg", "jpe", "png", "tif", "tiff", "dng", "exr"];

/// The folders of a desk.
pub(super) struct Places {
    /// Folders that may be read, all links followed.
    pub roots: Vec<PathBuf>,
    /// Where the page begins.
    pub start: PathBuf,
    /// Where results go; there once something is written.
    pub results: PathBuf,
}

impl Places {
    /// True if a path may be read.
    fn may_read(&self, real: &Path) -> bool {
        let results = self.results.canonicalize().ok();
        self.roots
            .iter()
            .chain(&results)
            .any(|root| real.starts_with(root))
    }

    /// The path with all links followed, if it is there and may be read.
    pub fn readable(&self, path: &Path) -> Result<PathBuf, Refusal> {
        let real = path.canonicalize().map_err(|_| Refusal::outside())?;
        self.may_read(&real)
            .then_some(real)
            .ok_or_else(Refusal::outside)
    }

    /// A file below a folder of the results by its path there, if it is there and no link leads out of the folder.
    pub fn result_file(&self, folder: &Path, inside: &[String]) -> Result<PathBuf, Refusal> {
        let path = inside
            .iter()
            .fold(folder.to_path_buf(), |path, name| path.join(name));
        let real = |path: &Path| path.canonicalize().map_err(|_| Refusal::unknown());
        let (path, folder) = (real(&path)?, real(folder)?);
        if !path.starts_with(&folder) || !self.may_read(&path) {
            return Err(Refusal::outside());
        }
        path.is_file().then_some(path).ok_or_else(Refusal::unknown)
    }

    /// What a folder holds, for a person who looks for pictures.
    pub fn list(&self, path: &Path, pictures: &Register) -> Result<Value, Refusal> {
        let folder = self.readable(path)?;
        let unreadable = |_| {
            let problem = "This folder cannot be read.";
            Refusal::new(StatusCode::NOT_FOUND, problem, "Choose another one.")
        };
        let mut paths: Vec<PathBuf> = std::fs::read_dir(&folder)
            .map_err(unreadable)?
            .flatten()
            .map(|entry| entry.path())
            .filter(|path| !file_name(path).starts_with('.'))
            .collect();
        paths.sort();
        let cut = paths.len() > LISTED;
        paths.truncate(LISTED);
        let (mut folders, mut files, mut others) = (Vec::new(), Vec::new(), 0);
        for path in &paths {
            let (name, readable) = (file_name(path), self.readable(path).is_ok());
            match std::fs::metadata(path) {
                Ok(about) if readable && about.is_dir() => {
                    folders.push(json!({ "name": name, "path": path.display().to_string() }));
                }
                Ok(about) if readable && is_picture(path) => {
                    let id = pictures.id(path);
                    files.push(json!({ "picture": id, "name": name, "bytes": about.len() }));
                }
                _ => others += 1,
            }
        }
        let parent = folder.parent().filter(|p| self.may_read(p));
        Ok(json!({
            "path": folder.display().to_string(),
            "parent": parent.map(|p| p.display().to_string()),
            "folders": folders, "pictures": files, "others": others, "cut": cut,
        }))
    }

    /// A new folder in that of the results, with this name or the name and a number.
    pub fn new_folder(&self, name: &str) -> Result<PathBuf, Refusal> {
        self.new_folder_in(&self.results, name)
    }

    /// The same in a folder among the results.
    pub fn new_folder_in(&self, parent: &Path, name: &str) -> Result<PathBuf, Refusal> {
        std::fs::create_dir_all(parent).map_err(|e| unwritable(parent, &e))?;
        for number in 1..10_000 {
            let path = match number {
                1 => parent.join(name),
                n => parent.join(format!("{name}-{n}")),
            };
            match std::fs::create_dir(&path) {
                Ok(()) => return Ok(path),
                Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => {}
                Err(e) => return Err(unwritable(&path, &e)),
            }
        }
        Err(Refusal::senseless(
            "There are too many results of that name.",
        ))
    }
}

pub(super) fn unwritable(path: &Path, error: &std::io::Error) -> Refusal {
    Refusal::new(
        StatusCode::INTERNAL_SERVER_ERROR,
        format!("{} cannot be written ({error}).", path.display()),
        "Start the desk with another folder for its results.",
    )
}

/// True for names of pictures that are read.
pub(super) fn is_picture(path: &Path) -> bool {
    let ending = path
        .extension()
        .map(|e| e.to_string_lossy().to_ascii_lowercase());
    ending.is_some_and(|e| PICTURES.contains(&e.as_str()))
}

/// A name that is one file or folder, whatever system it is on: no separators, no dot first, nothing that cannot be seen.
pub(super) fn plain_name(name: &str) -> Result<&str, Refusal> {
    let name = name.trim();
    let bad = |c: char| c.is_control() || "/\\:*?\"<>|".contains(c);
    if name.is_empty()
        || name.len() > 200
        || name.starts_with('.')
        || name.ends_with('.')
        || name.contains(bad)
    {
        let problem = format!("\"{}\" cannot be the name of a file.", name.escape_debug());
        return Err(Refusal::senseless(problem));
    }
    Ok(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_that_lead_elsewhere_are_refused() {
        assert_eq!(plain_name(" A 1.jpg ").unwrap(), "A 1.jpg");
        for name in [
            "", ".", "..", "a/b", "a\\b", ".hidden", "a\0", "c:a", "a.", "a\nb",
        ] {
            assert!(plain_name(name).is_err(), "{name:?}");
        }
    }

    #[cfg(unix)]
    #[test]
    fn links_and_dots_do_not_lead_out() {
        let base = tempfile::tempdir().unwrap();
        let (inside, outside) = (base.path().join("in"), base.path().join("out"));
        for folder in [&inside, &outside] {
            std::fs::create_dir(folder).unwrap();
            std::fs::write(folder.join("a.jpg"), b"x").unwrap();
        }
        std::os::unix::fs::symlink(outside.join("a.jpg"), inside.join("b.jpg")).unwrap();
        std::os::unix::fs::symlink(&outside, inside.join("deeper")).unwrap();
        let places = Places {
            roots: vec![inside.canonicalize().unwrap()],
            start: inside.clone(),
            results: base.path().join("results"),
        };
        assert!(places.readable(&inside.join("a.jpg")).is_ok());
        for path in [
            "b.jpg",
            "deeper",
            "deeper/a.jpg",
            "../out/a.jpg",
            "..",
            "none",
        ] {
            assert!(places.readable(&inside.join(path)).is_err(), "{path}");
        }
        let found = places.list(&inside, &Register::new('p')).unwrap();
        assert_eq!(found["pictures"].as_array().unwrap().len(), 1);
        assert_eq!(found["folders"].as_array().unwrap().len(), 0);
        assert_eq!(
            (&found["others"], &found["parent"]),
            (&json!(2), &Value::Null)
        );
        let up = ["..".to_owned(), "out".to_owned(), "a.jpg".to_owned()];
        assert!(places.result_file(&inside, &up).is_err());
        assert!(places.result_file(&inside, &["b.jpg".to_owned()]).is_err());
        assert!(places.result_file(&inside, &["a.jpg".to_owned()]).is_ok());
    }
}
