//! Who may import whom: the code against the table in DEVELOPERS.md.
use super::source::{Source, read, rust_files};
use std::collections::{BTreeMap, BTreeSet};

type Rooms = BTreeMap<String, BTreeSet<String>>;

/// The rows of the table under "## Who may import whom": `| room | names |`.
fn table() -> Rooms {
    let guide = read("DEVELOPERS.md");
    let section = guide.split("## Who may import whom").nth(1).unwrap();
    let section = section.split("\n## ").next().unwrap();
    let rows = section.lines().filter(|l| l.starts_with("| `"));
    let words = |cell: &str| -> Vec<String> {
        let parts = cell.split('`').skip(1).step_by(2);
        parts.map(str::to_owned).collect()
    };
    rows.map(|row| {
        let cells: Vec<&str> = row.trim_matches('|').split('|').collect();
        let room = words(cells[0]).concat();
        (room, words(cells[1]).into_iter().collect())
    })
    .collect()
}

/// Names that follow `crate::`, or that enough `super::` reach, in one file.
fn imported(source: &Source) -> BTreeSet<String> {
    let code = source.code();
    let mut found = after(&code, "crate::");
    // src/room.rs and src/room/mod.rs are one module deep, src/room/file.rs two, and so on.
    let depth = source.path.split('/').count() - 1 - usize::from(source.path.ends_with("/mod.rs"));
    found.extend(after(&code, &"super::".repeat(depth)));
    found
}

/// The first path segments that follow `prefix`, with `{a, b::c}` taken apart one level deep.
fn after(code: &str, prefix: &str) -> BTreeSet<String> {
    let mut names = BTreeSet::new();
    for (at, _) in code.match_indices(prefix) {
        let before = code[..at].chars().next_back();
        if before.is_some_and(|c| c.is_alphanumeric() || c == '_' || c == ':') {
            continue;
        }
        let rest = &code[at + prefix.len()..];
        if let Some(list) = rest.strip_prefix('{') {
            names.extend(group(list));
        } else {
            names.insert(segment(rest));
        }
    }
    names.remove("super");
    names
}

fn segment(text: &str) -> String {
    let end = text.find(|c: char| !c.is_alphanumeric() && c != '_');
    text[..end.unwrap_or(text.len())].to_owned()
}

fn group(list: &str) -> Vec<String> {
    let (mut depth, mut names, mut start) = (0, Vec::new(), 0);
    for (at, c) in list.char_indices() {
        match c {
            '{' => depth += 1,
            '}' if depth > 0 => depth -= 1,
            ',' | '}' if depth == 0 => {
                names.push(segment(list[start..at].trim()));
                start = at + 1;
                if c == '}' {
                    break;
                }
            }
            _ => {}
        }
    }
    names.retain(|n| !n.is_empty());
    names
}

/// Files that a `#[cfg(test)] mod name;` makes part of the unit tests, which may use any room.
fn test_only(sources: &[Source]) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    for source in sources.iter().filter(|s| s.path.ends_with("mod.rs")) {
        let folder = source.path.trim_end_matches("mod.rs");
        for part in source.text.split("#[cfg(test)]\nmod ").skip(1) {
            found.insert(format!("{folder}{}.rs", segment(part)));
        }
    }
    found
}

#[test]
fn the_code_keeps_the_table() {
    let table = table();
    let sources = rust_files("src", 40);
    let tests = test_only(&sources);
    let (mut checked, mut broken) = (0, Vec::new());
    for source in sources.iter().filter(|s| !tests.contains(&s.path)) {
        let room = source.room();
        if room == "lib" || room == "cli" {
            continue;
        }
        let allowed = table.get(room);
        let allowed = allowed.unwrap_or_else(|| panic!("{}: room not in the table", source.path));
        for name in imported(source) {
            checked += 1;
            let is_error = name == "Error" && (room == "error" || allowed.contains("error"));
            if name != room && !is_error && !allowed.contains(&name) {
                broken.push(format!("{} imports {name}", source.path));
            }
        }
    }
    assert!(
        checked > 50,
        "only {checked} imports seen: does the parser still work?"
    );
    assert!(
        broken.is_empty(),
        "against the table:\n{}",
        broken.join("\n")
    );
}

#[test]
fn the_table_names_every_room() {
    let table = table();
    let mut rooms: BTreeSet<String> = rust_files("src", 40)
        .iter()
        .map(|s| s.room().to_owned())
        .collect();
    rooms.retain(|r| r != "lib" && r != "cli");
    let listed: BTreeSet<String> = table.keys().cloned().collect();
    assert_eq!(rooms, listed);
}

/// The program sees the library as any other user does, and the library cannot name the program.
#[test]
fn the_program_uses_the_public_surface() {
    let sources = rust_files("src", 40);
    let rooms: BTreeSet<String> = table().into_keys().collect();
    let own = |s: &Source| {
        s.path
            .trim_start_matches("src/cli/")
            .trim_end_matches(".rs")
            .to_owned()
    };
    let cli: Vec<&Source> = sources.iter().filter(|s| s.room() == "cli").collect();
    assert!(!cli.is_empty());
    let names: BTreeSet<String> = cli.iter().map(|s| own(s)).collect();
    for source in cli {
        for name in imported(source) {
            assert!(
                !rooms.contains(&name) || names.contains(&name),
                "{} reaches into {name}",
                source.path
            );
        }
        assert!(!source.code().contains("#[path"), "{}", source.path);
    }
    for source in sources.iter().filter(|s| s.room() != "cli") {
        let code = source.code();
        assert!(
            !code.contains("stopspan::"),
            "{} names itself from outside",
            source.path
        );
    }
}

#[test]
fn the_parser_sees_what_it_should() {
    let source = Source {
        path: "src/merge/map.rs".into(),
        text: "use crate::{frames::{Bracket, Frame}, error::Error};\n// stopspan_tone\nlet a = stopspan_core::units::Stops(1.0);\nuse super::super::align::x;\n#[cfg(test)]\nmod tests {\nuse crate::cli;\n}".into(),
    };
    let found: Vec<String> = imported(&source).into_iter().collect();
    assert_eq!(found, ["align", "error", "frames", "units"]);
}
