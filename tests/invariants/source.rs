//! Reads the project's own files for the tests beside this one.
use std::path::{Path, PathBuf};

/// One source file.
pub struct Source {
    /// Path from the project's top, with `/`.
    pub path: String,
    /// The whole text.
    pub text: String,
}

impl Source {
    /// The code without comment lines and without the unit tests at its end.
    pub fn code(&self) -> String {
        let end = self.text.find("#[cfg(test)]\nmod tests {");
        let body = &self.text[..end.unwrap_or(self.text.len())];
        body.lines()
            .filter(|line| !line.trim_start().starts_with("//"))
            .map(|line| line.split(" // ").next().unwrap_or(line))
            .collect::<Vec<_>>()
            .join("\n")
    }

    /// The first folder or file name under src: the room.
    pub fn room(&self) -> &str {
        let inside = self.path.strip_prefix("src/").unwrap_or(&self.path);
        let name = inside.split('/').next().unwrap_or(inside);
        name.strip_suffix(".rs").unwrap_or(name)
    }
}

/// The project's top.
pub fn top() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// The text of a file named from the top.
pub fn read(name: &str) -> String {
    std::fs::read_to_string(top().join(name)).unwrap_or_else(|e| panic!("{name}: {e}"))
}

/// All Rust files under a folder named from the top, sorted. At least `expected` of them.
pub fn rust_files(folder: &str, expected: usize) -> Vec<Source> {
    let mut paths = Vec::new();
    gather(&top().join(folder), &mut paths);
    paths.sort();
    assert!(
        paths.len() >= expected,
        "{} files under {folder}, at least {expected} expected",
        paths.len()
    );
    let name = |p: &PathBuf| {
        let inside = p.strip_prefix(top()).unwrap().to_str().unwrap();
        inside.replace('\\', "/")
    };
    paths
        .iter()
        .map(|p| Source {
            path: name(p),
            text: std::fs::read_to_string(p).unwrap(),
        })
        .collect()
}

fn gather(folder: &Path, into: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            gather(&path, into);
        } else if path.extension().is_some_and(|e| e == "rs") {
            into.push(path);
        }
    }
}
