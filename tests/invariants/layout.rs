//! Top-level names, first lines, file lengths, and maps of folders.
use super::source::{read, rust_files, top};

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

/// A mod.rs declares every file and folder beside it: a file nobody declares is dead, and so are the tests in it.
#[test]
fn every_folder_is_mapped() {
    for (folder, expected) in [("src", 11), ("tests", 7)] {
        let sources = rust_files(folder, 20);
        let maps: Vec<_> = sources
            .iter()
            .filter(|s| s.path.ends_with("/mod.rs"))
            .collect();
        assert!(maps.len() >= expected, "{} maps in {folder}", maps.len());
        for map in maps {
            let beside = map.path.trim_end_matches("mod.rs");
            let names = sources.iter().filter_map(|s| s.path.strip_prefix(beside));
            for inside in names {
                let name = inside.split('/').next().unwrap().trim_end_matches(".rs");
                let declared = map.text.contains(&format!("mod {name};"));
                assert!(declared || name == "mod", "{} leaves {name} out", map.path);
            }
        }
    }
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
