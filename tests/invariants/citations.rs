//! Works cited: every citation in the source is listed in src/references.md, and every work listed is cited.
use super::source::{read, rust_files};
use std::collections::BTreeSet;

/// A work by the family name of its first author and its year, lower case.
type Work = (String, String);

/// The year in parentheses or free (1900 to 2099) at the start of `text`, if any.
fn year(text: &str) -> Option<String> {
    let digits: String = text.trim_start_matches('(').chars().take(4).collect();
    let fine = digits.len() == 4
        && digits.chars().all(|c| c.is_ascii_digit())
        && (digits.starts_with("19") || digits.starts_with("20"));
    fine.then_some(digits)
}

fn is_name(word: &str) -> bool {
    let mut letters = word.chars();
    letters.next().is_some_and(char::is_uppercase)
        && word.chars().count() > 2
        && word.chars().all(|c| c.is_alphabetic() || c == '-')
        && letters.any(char::is_lowercase)
}

/// Words that look like names before a year but are none.
const NOT_NAMES: [&str; 9] = [
    "Exif", "Section", "Annex", "Table", "Since", "Edition", "Rec", "Part", "Version",
];

/// Citations "Name (Year)", "Name Year", "Name and Name (Year)", "Name, Name and Name (Year)" in a text: the first name of
/// each run of names with the year that ends it.
fn citations(text: &str) -> BTreeSet<Work> {
    let words: Vec<&str> = text
        .split_whitespace()
        .filter(|w| !w.starts_with("//"))
        .collect();
    let mut found = BTreeSet::new();
    for (at, word) in words.iter().enumerate() {
        let Some(year) = year(word) else { continue };
        let mut first = None;
        for back in words[..at].iter().rev() {
            let bare = back.trim_start_matches('(').trim_end_matches([',', ';']);
            let bare = bare.trim_end_matches("'s");
            let starts = back.starts_with('(');
            if is_name(bare) && !NOT_NAMES.contains(&bare) {
                // "Huber 1964) and Tukey (1974)": a name before another year ends the run on its own.
                first = Some(bare.to_lowercase());
                if starts {
                    break;
                }
            } else if *back != "and" && *back != "&" {
                break;
            }
        }
        if let Some(name) = first {
            found.insert((name, year));
        }
    }
    found
}

/// Works listed: `- Family, Given...; ... (Year). Title.` with every author's family name.
fn listed() -> Vec<(Vec<String>, String, String)> {
    let text = read("src/references.md");
    let lines = text.lines().filter(|l| l.starts_with("- "));
    lines
        .map(|line| {
            let open = line.find(" (").unwrap_or_else(|| panic!("no year: {line}"));
            let year = year(&line[open + 1..]).unwrap_or_else(|| panic!("no year: {line}"));
            let authors = line[2..open].to_lowercase();
            let names = authors
                .split(|c: char| !c.is_alphabetic() && c != '-')
                .filter(|n| n.chars().count() > 2)
                .map(str::to_owned)
                .collect();
            (names, year, line.to_owned())
        })
        .collect()
}

/// Standards are cited by their number ("EMVA 1288"): the first word of four digits or more in the title.
fn cited_by_number(line: &str, comments: &str) -> bool {
    let title = line.split_once("). ").map_or("", |(_, title)| title);
    let title = title.split('.').next().unwrap_or("");
    let mut words = title.split(|c: char| !c.is_alphanumeric());
    let number = words.find(|w| w.len() >= 4 && w.chars().all(|c| c.is_ascii_digit()));
    number.is_some_and(|n| comments.contains(n))
}

#[test]
fn every_citation_is_listed_and_every_work_is_cited() {
    let works = listed();
    assert!(works.len() > 10, "{} works", works.len());
    let mut missing = Vec::new();
    let (mut cited, mut all) = (BTreeSet::new(), String::new());
    for source in rust_files("src", 40) {
        let comments: String = source
            .text
            .lines()
            .filter(|l| l.trim_start().starts_with("//"))
            .map(|l| l.trim_start().trim_start_matches(['/', '!']).to_owned() + "\n")
            .collect();
        all.push_str(&comments);
        for (name, year) in citations(&comments) {
            let hit = works
                .iter()
                .position(|(names, when, _)| *when == year && names.contains(&name));
            match hit {
                Some(index) => {
                    cited.insert(index);
                }
                None => missing.push(format!("{}: {name} {year}", source.path)),
            }
        }
    }
    let unused: Vec<&String> = (0..works.len())
        .filter(|i| !cited.contains(i) && !cited_by_number(&works[*i].2, &all))
        .map(|i| &works[i].2)
        .collect();
    assert!(
        missing.is_empty(),
        "cited but not listed:\n{}",
        missing.join("\n")
    );
    assert!(unused.is_empty(), "listed but not cited:\n{unused:#?}");
}

#[test]
fn the_parser_sees_what_it_should() {
    let text = "as Debevec and Malik (1997), or (Kish 1965); after Robertson, Borman and\nStevenson (1999) in 2020.";
    let found: Vec<Work> = citations(text).into_iter().collect();
    let expect = [("debevec", "1997"), ("kish", "1965"), ("robertson", "1999")];
    assert_eq!(found, expect.map(|(n, y)| (n.to_owned(), y.to_owned())));
}
