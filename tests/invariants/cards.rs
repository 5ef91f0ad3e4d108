//! The crates the project is built on are there, and each is used by the code itself.
use super::source::{read, rust_files};

/// Crate as written in the manifest, and as named in code.
const BUILT_ON: [(&str, &str); 7] = [
    ("image", "image"),
    ("rayon", "rayon"),
    ("clap", "clap"),
    ("kamadak-exif", "exif"),
    ("ndarray", "ndarray"),
    ("exr", "exr"),
    ("serde", "serde"),
];

/// Names of the manifest's ordinary dependencies.
fn dependencies() -> Vec<String> {
    let manifest = read("Cargo.toml");
    let section = manifest.split("\n[dependencies]\n").nth(1).unwrap();
    let section = section.split("\n[").next().unwrap();
    let names = section.lines().filter_map(|l| l.split_once(" = "));
    names.map(|(name, _)| name.trim().to_owned()).collect()
}

/// True if some line of code uses the crate by path: `name::` at a word's start, or `use name;`.
fn used(code: &str, name: &str) -> bool {
    code.match_indices(&format!("{name}::")).any(|(at, _)| {
        let before = code[..at].chars().next_back();
        !before.is_some_and(|c| c.is_alphanumeric() || c == '_' || c == ':')
    })
}

#[test]
fn what_the_project_is_built_on_is_used() {
    let listed = dependencies();
    let code: String = rust_files("src", 40).iter().map(|s| s.code()).collect();
    for (package, name) in BUILT_ON {
        assert!(
            listed.iter().any(|d| d == package),
            "{package} is not listed"
        );
        assert!(used(&code, name), "{package} is listed but not used");
    }
}

#[test]
fn no_dependency_is_idle() {
    let code: String = rust_files("src", 40).iter().map(|s| s.code()).collect();
    let listed = dependencies();
    assert!(listed.len() >= BUILT_ON.len());
    let idle: Vec<&String> = listed
        .iter()
        .filter(|d| {
            let own = BUILT_ON.iter().find(|(package, _)| package == d);
            let name = own.map_or_else(|| d.replace('-', "_"), |(_, name)| (*name).to_owned());
            !used(&code, &name)
        })
        .collect();
    assert!(idle.is_empty(), "listed but not used: {idle:?}");
}
