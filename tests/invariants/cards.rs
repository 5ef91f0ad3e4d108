//! The crates the project is built on are there, and each dependency of a member is used by the member's own code.
use super::paths::{Code, code};
use super::source::members;
use std::collections::BTreeSet;

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

fn name_in_code(package: &str) -> String {
    let own = BUILT_ON.iter().find(|(listed, _)| *listed == package);
    own.map_or_else(|| package.replace('-', "_"), |(_, name)| (*name).to_owned())
}

/// The first names of all paths in the code of a package, unit tests left out.
fn used(package: &str) -> BTreeSet<&'static str> {
    let member = package.strip_prefix("stopspan-");
    let of_package = |c: &&Code| match (member, c.source.part()) {
        (Some(member), part) => part == member,
        (None, part) => ["lib", "pipeline", "desk", "cli"].contains(&part),
    };
    let names = code().iter().filter(of_package).flat_map(|c| &c.names);
    names.map(|[of, _]| of.as_str()).collect()
}

#[test]
fn what_the_project_is_built_on_is_used() {
    let members = members();
    for (package, name) in BUILT_ON {
        let listing = members
            .iter()
            .filter(|(_, d)| d.iter().any(|d| d == package));
        let using = listing.filter(|(member, _)| used(member).contains(name));
        assert!(using.count() > 0, "{package} is not used");
    }
}

#[test]
fn no_dependency_is_idle() {
    let members = members();
    assert!(members.len() >= 11, "{} members", members.len());
    let mut idle = Vec::new();
    for (member, dependencies) in &members {
        let used = used(member);
        let unused = dependencies
            .iter()
            .filter(|d| !used.contains(name_in_code(d).as_str()));
        idle.extend(unused.map(|d| format!("{member}: {d}")));
    }
    assert!(idle.is_empty(), "listed but not used: {idle:?}");
}
