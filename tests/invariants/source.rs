//! Reads the project's own files and manifests for the tests beside this one.
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

/// One source file.
#[derive(Clone)]
pub struct Source {
    /// Path from the project's top, with `/`.
    pub path: String,
    /// The whole text.
    pub text: String,
}

impl Source {
    /// The syntax tree of the file.
    pub fn syntax(&self) -> syn::File {
        syn::parse_file(&self.text).unwrap_or_else(|e| panic!("{}: {e}", self.path))
    }

    /// The folder where the modules that the file declares lie.
    pub fn folder_of_modules(&self) -> &str {
        match self.path.rsplit_once('/') {
            Some((folder, "lib.rs" | "main.rs" | "mod.rs")) => folder,
            _ => self.path.trim_end_matches(".rs"),
        }
    }

    /// The part of the project the file belongs to: a member's folder under src, or `pipeline`, or `cli`.
    pub fn part(&self) -> &str {
        first_name(&self.path, "src/")
    }
}

/// The first folder or file name of a path after `prefix`, without the ending of a Rust file.
pub fn first_name<'a>(path: &'a str, prefix: &str) -> &'a str {
    let inside = path.strip_prefix(prefix).unwrap_or(path);
    let name = inside.split('/').next().unwrap_or(inside);
    name.strip_suffix(".rs").unwrap_or(name)
}

/// The project's top.
pub fn top() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// The text of a file named from the top.
pub fn read(name: &str) -> String {
    std::fs::read_to_string(top().join(name)).unwrap_or_else(|e| panic!("{name}: {e}"))
}

/// The packages that `cargo metadata` lists, called with the arguments given.
pub fn packages(arguments: &[&str]) -> Vec<serde_json::Value> {
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--locked", "--offline"])
        .args(arguments)
        .current_dir(top())
        .output()
        .unwrap();
    let message = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success(), "cargo metadata: {message}");
    let mut metadata: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    match metadata["packages"].take() {
        serde_json::Value::Array(packages) => packages,
        other => panic!("packages: {other}"),
    }
}

/// The packages of the workspace, and what each depends on other than in its tests.
pub fn members() -> BTreeMap<String, Vec<String>> {
    let text = |value: &serde_json::Value| value.as_str().unwrap().to_owned();
    let dependencies = |package: &serde_json::Value| {
        let all = package["dependencies"].as_array().unwrap().iter();
        all.filter(|d| d["kind"].is_null())
            .map(|d| text(&d["name"]))
            .collect()
    };
    let list = packages(&["--no-deps"]);
    list.iter()
        .map(|package| (text(&package["name"]), dependencies(package)))
        .collect()
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
