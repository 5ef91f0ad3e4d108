//! The files that a finished bracket left, by length and sum, so that a later run sees whether they are still as they were.
use rayon::prelude::*;
use std::path::{Component, Path, PathBuf};
use stopspan_core::Error;
use stopspan_core::error::InputProblem;
use stopspan_formats::sha256_of;
use stopspan_report::{KeptFile, hexadecimal};

/// Every file in `folder` and the folders in it but the one named `except`, in the order of their names.
///
/// # Errors
/// [`Error::Input`] for a file or folder that cannot be read.
pub(super) fn files_in(folder: &Path, except: &str) -> Result<Vec<KeptFile>, Error> {
    let mut paths = Vec::new();
    list(folder, &mut paths).map_err(|e| unreadable(folder, e))?;
    paths.retain(|path| *path != folder.join(except));
    paths.sort();
    let kept = |path: &PathBuf| {
        let about = path.metadata().map_err(|e| unreadable(path, e))?;
        Ok(KeptFile {
            path: path.strip_prefix(folder).unwrap_or(path).to_path_buf(),
            bytes: about.len(),
            sha256: hexadecimal(&sha256_of(path)?),
        })
    };
    paths.par_iter().map(kept).collect()
}

/// True if every file is there with its length and sum.
pub(super) fn unchanged(folder: &Path, files: &[KeptFile]) -> bool {
    let same = |file: &KeptFile| {
        let inside = |c: Component| matches!(c, Component::Normal(_));
        let path = folder.join(&file.path);
        file.path.components().all(inside)
            && path.metadata().is_ok_and(|m| m.len() == file.bytes)
            && sha256_of(&path).is_ok_and(|sum| hexadecimal(&sum) == file.sha256)
    };
    files.par_iter().all(same)
}

fn list(folder: &Path, found: &mut Vec<PathBuf>) -> std::io::Result<()> {
    for entry in std::fs::read_dir(folder)? {
        let entry = entry?;
        if entry.file_type()?.is_dir() {
            list(&entry.path(), found)?;
        } else {
            found.push(entry.path());
        }
    }
    Ok(())
}

fn unreadable(path: &Path, error: std::io::Error) -> Error {
    Error::input_because(path, InputProblem::Unreadable, error)
}
