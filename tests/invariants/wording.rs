//! What users read is plain English with the field's terms: phrases that readers stumbled over stay out.
use super::source::{read, rust_files};

/// Phrases of a private idiom, with the usual term instead.
const BANNED: [(&str, &str); 14] = [
    ("told apart", "resolved"),
    ("tells apart", "resolves"),
    ("tell apart", "resolve"),
    ("steps apart", "steps resolved"),
    ("stops held", "dynamic range"),
    ("holds most", "covers most"),
    ("found by itself", "detected automatically"),
    ("leans on", "is extrapolated from"),
    ("is not told from", "equals"),
    ("left aside", "not used"),
    ("stand behind it", "extrapolated"),
    ("makes no sense", "invalid"),
    ("no rank", "not ranked"),
    ("is there already and is not", "already exists"),
];

/// Lines of a source file that end up before a user: all that are no comment, and in the command line the comments that are help.
fn shown(file: &str, line: &str) -> bool {
    let text = line.trim_start();
    let comment = text.starts_with("//");
    let help = file.starts_with("src/cli/") && text.starts_with("///");
    !comment || help
}

#[test]
fn phrases_that_readers_stumbled_over_stay_out() {
    let mut texts: Vec<(String, String)> = vec![("README.md".into(), read("README.md"))];
    for source in rust_files("src", 300) {
        if matches!(source.part(), "report" | "cli") || source.path == "src/core/error.rs" {
            texts.push((source.path, source.text));
        }
    }
    assert!(texts.len() > 60, "only {} files read", texts.len());
    let mut found = Vec::new();
    for (file, text) in &texts {
        for (index, line) in text.lines().enumerate().filter(|(_, l)| shown(file, l)) {
            let small = line.to_lowercase();
            for (phrase, instead) in BANNED {
                if small.contains(phrase) {
                    let place = format!("{file}:{}", index + 1);
                    found.push(format!("{place}: {phrase:?}, better {instead:?}"));
                }
            }
        }
    }
    assert!(found.is_empty(), "{}", found.join("\n"));
}
