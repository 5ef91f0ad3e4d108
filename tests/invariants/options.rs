//! Options are spelled by the command line, and by the one function that writes a setting as it is given.
use super::source::rust_files;

/// True if the text holds two dashes with a small letter after them.
fn spells_an_option(text: &str) -> bool {
    let after = text
        .match_indices("--")
        .map(|(at, _)| text[at + 2..].chars().next());
    after.flatten().any(|c| c.is_ascii_lowercase())
}

#[test]
fn no_stage_spells_an_option() {
    let sources = rust_files("src", 300);
    let (cli, others): (Vec<_>, Vec<_>) = sources.iter().partition(|s| s.part() == "cli");
    assert!(cli.iter().any(|s| spells_an_option(&s.text)));
    let spelling = others.iter().filter(|s| spells_an_option(&s.text));
    let names: Vec<&str> = spelling.map(|s| s.path.as_str()).collect();
    assert!(names.is_empty(), "options are spelled in {names:?}");
}
