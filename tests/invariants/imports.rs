//! Who may import whom: manifests and code against the tables in DEVELOPERS.md.
use super::paths::{Code, code};
use super::source::{first_name, members, read};
use std::collections::{BTreeMap, BTreeSet};

type Names = BTreeSet<String>;

/// What the package at the top is made of: the library in two parts, and the program.
const AT_THE_TOP: [&str; 3] = ["pipeline", "desk", "cli"];

/// The rows of the tables under "## Who may import whom": `| name | names |`.
fn table() -> BTreeMap<String, Names> {
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
        let name = words(cells[0]).concat();
        (name, words(cells[1]).into_iter().collect())
    })
    .collect()
}

/// Members by the names of their folders, and the members each depends on.
fn dependencies() -> BTreeMap<String, Names> {
    let own = |name: &String| name.strip_prefix("stopspan-").map(str::to_owned);
    members()
        .into_iter()
        .filter_map(|(name, needs)| Some((own(&name)?, needs.iter().filter_map(own).collect())))
        .collect()
}

fn code_of(part: &str) -> Vec<&'static Code> {
    let found: Vec<&Code> = code().iter().filter(|c| c.source.part() == part).collect();
    assert!(!found.is_empty(), "no code of {part}");
    found
}

#[test]
fn every_member_depends_on_what_its_row_lists() {
    let table = table();
    let found = dependencies();
    assert!(found.len() >= 10, "{} members", found.len());
    for (member, needs) in found {
        let row = table.get(&member);
        let row = row.unwrap_or_else(|| panic!("{member}: not in the table"));
        assert_eq!(&needs, row, "src/{member}/Cargo.toml against the table");
    }
}

#[test]
fn the_rooms_of_the_core_import_what_their_rows_allow() {
    let table = table();
    let (mut checked, mut broken) = (0, Vec::new());
    for Code { source, names } in code_of("core") {
        let room = first_name(&source.path, "src/core/");
        if room == "lib" {
            continue;
        }
        let allowed = table.get(room);
        let allowed = allowed.unwrap_or_else(|| panic!("{}: room not in the table", source.path));
        for [of, name] in names {
            // Constants at the root of the crate are nobody's.
            if of != "crate" || name.chars().all(|c| c.is_uppercase() || c == '_') {
                continue;
            }
            checked += 1;
            let name = if name == "Error" { "error" } else { name };
            if name != room && !allowed.contains(name) {
                broken.push(format!("{} imports {name}", source.path));
            }
        }
    }
    assert!(checked > 50, "only {checked} imports seen");
    assert!(
        broken.is_empty(),
        "against the table:\n{}",
        broken.join("\n")
    );
}

#[test]
fn library_and_program_name_the_members_their_rows_list() {
    let table = table();
    for part in AT_THE_TOP {
        let mut found = Names::new();
        for Code { source, names } in code_of(part) {
            let members = names
                .iter()
                .filter_map(|[of, _]| of.strip_prefix("stopspan_"));
            found.extend(members.map(str::to_owned));
            assert!(!source.text.contains("#[path"), "{}", source.path);
        }
        assert_eq!(found, table[part], "{part} against the table");
    }
}

#[test]
fn the_tables_name_every_room_and_every_member() {
    let mut parts: Names = dependencies().into_keys().collect();
    parts.extend(AT_THE_TOP.map(str::to_owned));
    let rooms = code_of("core").into_iter();
    let rooms = rooms.map(|c| first_name(&c.source.path, "src/core/"));
    parts.extend(rooms.filter(|r| *r != "lib").map(str::to_owned));
    let folders = code().iter().map(|c| c.source.part().to_owned());
    let folders: Names = folders.filter(|p| p != "lib").collect();
    assert!(folders.is_subset(&parts), "{folders:?} not in {parts:?}");
    assert_eq!(parts, table().into_keys().collect());
}
