//! Paths in records, as text: what is not UTF-8 is replaced, so that every path can be recorded.
use serde::Serializer;
use std::path::PathBuf;

/// Serialises a path, for `serialize_with`.
///
/// # Errors
/// Those of the serializer.
pub fn one<S: Serializer>(path: &Option<PathBuf>, serializer: S) -> Result<S::Ok, S::Error> {
    match path {
        Some(path) => serializer.serialize_some(&path.to_string_lossy()),
        None => serializer.serialize_none(),
    }
}

/// Serialises a list of paths, for `serialize_with`.
///
/// # Errors
/// Those of the serializer.
pub fn many<S: Serializer>(paths: &[PathBuf], serializer: S) -> Result<S::Ok, S::Error> {
    serializer.collect_seq(paths.iter().map(|p| p.to_string_lossy()))
}

/// Serialises lists of paths, for `serialize_with`.
///
/// # Errors
/// Those of the serializer.
pub fn lists<S: Serializer>(lists: &[Vec<PathBuf>], serializer: S) -> Result<S::Ok, S::Error> {
    let text = |path: &PathBuf| path.to_string_lossy().into_owned();
    let texts = |list: &Vec<PathBuf>| list.iter().map(text).collect::<Vec<_>>();
    serializer.collect_seq(lists.iter().map(texts))
}

/// Serialises a list of paths that may be absent, for `serialize_with`.
///
/// # Errors
/// Those of the serializer.
pub fn many_if<S: Serializer>(
    paths: &Option<Vec<PathBuf>>,
    serializer: S,
) -> Result<S::Ok, S::Error> {
    match paths {
        Some(paths) => many(paths, serializer),
        None => serializer.serialize_none(),
    }
}
