//! Top-level names, first lines, file lengths, and maps of folders.
use super::paths::for_tests;
use super::source::{Source, read, rust_files, top};
use std::collections::BTreeSet;

const TOP: [&str; 9] = [
    ".ci",
    ".gitignore",
    "Cargo.lock",
    "Cargo.toml",
    "DEVELOPERS.md",
    "README.md",
    "samples",
    "src",
    "tests",
];

/// Names that .gitignore keeps out, and what git and a package tool put at the top themselves.
fn ignored() -> Vec<String> {
    let own = [
        ".git",
        ".cargo-ok",
        ".cargo_vcs_info.json",
        "Cargo.toml.orig",
    ];
    let listed = read(".gitignore");
    let listed = listed.lines().map(|l| l.trim_matches('/').to_owned());
    listed.chain(own.map(str::to_owned)).collect()
}

#[test]
fn the_top_level_holds_nothing_else() {
    let ignored = ignored();
    let mut found: Vec<String> = std::fs::read_dir(top())
        .unwrap()
        .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
        .filter(|name| !ignored.contains(name))
        .collect();
    found.sort();
    let strange: Vec<&String> = found
        .iter()
        .filter(|n| !TOP.contains(&n.as_str()))
        .collect();
    assert!(strange.is_empty(), "not of the house: {strange:?}");
    let missing: Vec<&&str> = TOP
        .iter()
        .filter(|n| !found.iter().any(|f| f == *n))
        .collect();
    assert!(missing.is_empty(), "missing: {missing:?}");
}

#[test]
fn every_file_opens_with_its_job() {
    for folder in ["src", "tests"] {
        for source in rust_files(folder, 20) {
            let first = source.text.lines().next().unwrap_or("");
            assert!(
                first.starts_with("//! ") && first.len() > 12,
                "{} opens with {first:?}",
                source.path
            );
        }
    }
}

#[test]
fn no_file_is_longer_than_400_lines() {
    let files = rust_files("src", 40)
        .into_iter()
        .chain(rust_files("tests", 20));
    let long: Vec<String> = files
        .map(|s| (s.text.lines().count(), s.path))
        .filter(|(lines, _)| *lines > 400)
        .map(|(lines, path)| format!("{path}: {lines}"))
        .collect();
    assert!(long.is_empty(), "too long: {long:?}");
}

/// Every file is declared by the root of its crate or a module of it: a file nobody declares is dead, and so are its tests.
#[test]
fn every_file_is_declared() {
    let targets = ["lib.rs", "src/cli/main.rs", "tests/main.rs"];
    let own_targets = ["tests/bench/", "tests/fuzz/"];
    let sources = [rust_files("src", 300), rust_files("tests", 90)].concat();
    let declared: BTreeSet<String> = sources.iter().flat_map(declared_files).collect();
    let is_target = |path: &str| {
        targets.iter().any(|t| path.ends_with(t)) || own_targets.iter().any(|t| path.starts_with(t))
    };
    let paths = sources.iter().map(|s| s.path.as_str());
    let left_out: Vec<&str> = paths
        .filter(|p| !is_target(p) && !declared.contains(*p))
        .collect();
    assert!(left_out.is_empty(), "declared nowhere: {left_out:?}");
}

/// The names of the `mod name;` of a file, those of unit tests left out where `tests` is false.
fn modules(source: &Source, tests: bool) -> Vec<String> {
    let items = source.syntax().items.into_iter();
    let named = items.filter_map(|item| match item {
        syn::Item::Mod(item) if item.content.is_none() => Some(item),
        _ => None,
    });
    named
        .filter(|item| tests || !for_tests(&item.attrs))
        .map(|item| item.ident.to_string())
        .collect()
}

/// The files that the modules of a file may be.
fn declared_files(source: &Source) -> Vec<String> {
    let folder = source.folder_of_modules();
    let files = |m: &String| [format!("{folder}/{m}.rs"), format!("{folder}/{m}/mod.rs")];
    modules(source, true).iter().flat_map(files).collect()
}

/// A folder's own file opens with a map of it: what is there in reading order, or each module by its name.
#[test]
fn every_folder_is_mapped() {
    let mut maps = 0;
    for source in rust_files("src", 300) {
        if source.path.ends_with("/lib.rs") || source.path.ends_with("/mod.rs") {
            maps += 1;
            let lines = source.text.lines().take_while(|l| l.starts_with("//!"));
            let map = lines.collect::<Vec<_>>().join("\n");
            let all = modules(&source, false);
            let mapped = map
                .replace("\n//!", "")
                .to_lowercase()
                .contains("reading order")
                || all.iter().all(|name| map.contains(&format!("`{name}")));
            assert!(mapped, "{} does not map its folder", source.path);
        }
    }
    assert!(maps >= 30, "only {maps} maps");
}

/// The lint cannot be "forbid", so this is: nothing of ours takes the denial back.
#[test]
fn no_file_allows_unsafe_code() {
    let allowing = ["allow", "expect"].map(|word| format!("{word}(unsafe_code"));
    for source in rust_files("src", 300) {
        let bad = allowing.iter().any(|word| source.text.contains(word));
        assert!(!bad, "{}", source.path);
    }
}
