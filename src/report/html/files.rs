//! Files written, with links: sheets as thumbnails in the page's look, all others in a list.
use super::super::words::bytes;
use super::{Sections, address, escape};
use std::collections::BTreeMap;
use std::fmt::Write;
use stopspan_core::results::{OutputFile, Report};

/// Longest description of a file in the list, characters.
const DESCRIBED: usize = 90;

/// Writes the files of every bracket and camera; of brackets that have pages of their own, those pages do.
pub(super) fn written(out: &mut String, report: &Report, sections: Sections) {
    let brackets = report.brackets.iter().map(|b| (&b.name, &b.outputs));
    let lone = report.without_bracket.iter().map(|w| (&w.name, &w.outputs));
    let brackets = brackets.filter(|_| !matches!(sections, Sections::Elsewhere));
    let all: Vec<(&String, &Vec<OutputFile>)> = brackets
        .chain(lone)
        .filter(|(_, files)| !files.is_empty())
        .collect();
    if all.is_empty() {
        return;
    }
    out.push_str("<h3>Files written</h3>\n");
    for (name, files) in &all {
        if all.len() > 1 {
            let _ = writeln!(out, "<h4>{}</h4>", escape(name));
        }
        // The page of a bracket of its own lies in the bracket's folder.
        let within = match sections {
            Sections::Alone(_) => format!("{name}/"),
            _ => String::new(),
        };
        of_one(out, files, &within);
    }
}

fn of_one(out: &mut String, files: &[OutputFile], within: &str) {
    let mut sheets: BTreeMap<&str, Vec<(&str, &OutputFile)>> = BTreeMap::new();
    let mut others = Vec::new();
    for file in files {
        match variant(&file.path) {
            Some((sheet, variant)) => sheets.entry(sheet).or_default().push((variant, file)),
            None => others.push(file),
        }
    }
    let link = |file: &OutputFile| link_to(&file.path, within);
    if !sheets.is_empty() {
        out.push_str("<ul class=\"sheets\">\n");
    }
    for (sheet, variants) in &sheets {
        thumbnail(out, sheet, variants, &link);
    }
    if !sheets.is_empty() {
        out.push_str("</ul>\n");
    }
    out.push_str("<ul class=\"files\">\n");
    for file in others {
        let length = file
            .bytes
            .map_or_else(String::new, |b| format!(", {}", bytes(b)));
        let what: String = first_sentence(&file.what).chars().take(DESCRIBED).collect();
        let shown = file.path.strip_prefix(within).unwrap_or(&file.path);
        let _ = writeln!(
            out,
            "<li><a href=\"{}\">{}</a>: {}{length}</li>",
            link(file),
            escape(shown),
            escape(&what)
        );
    }
    out.push_str("</ul>\n");
}

/// One sheet: a thumbnail in the look of the page, and a link to each file.
fn thumbnail(
    out: &mut String,
    sheet: &str,
    variants: &[(&str, &OutputFile)],
    link: &dyn Fn(&OutputFile) -> String,
) {
    let of = |variant: &str| {
        variants
            .iter()
            .find(|(v, _)| *v == variant)
            .map(|(_, f)| *f)
    };
    let shown = ["light.png", "dark.png", "light.svg", "dark.svg"];
    let Some(shown) = shown.into_iter().find_map(of) else {
        return;
    };
    let dark = of("dark.png")
        .or(of("dark.svg"))
        .map_or_else(String::new, |file| {
            let place = link(file);
            format!("<source media=\"(prefers-color-scheme: dark)\" srcset=\"{place}\">")
        });
    let name = sheet.rsplit('/').next().unwrap_or(sheet);
    let _ = write!(
        out,
        "<li><a href=\"{0}\"><picture>{dark}<img src=\"{0}\" loading=\"lazy\" alt=\"{1}\"></picture></a> <span>{2}:",
        link(shown),
        escape(first_sentence(&shown.what)),
        escape(name)
    );
    for (variant, file) in variants {
        let words = variant.replace(".png", " PNG").replace(".svg", " SVG");
        let _ = write!(out, " <a href=\"{}\">{words}</a>", link(file));
    }
    out.push_str("</span></li>\n");
}

/// A sheet's path without its look and ending, and these; `None` for other files.
fn variant(path: &str) -> Option<(&str, &str)> {
    let (name, variant) = path.rsplit_once('-')?;
    let known = ["light.png", "light.svg", "dark.png", "dark.svg"];
    (known.contains(&variant) && path.split('/').rev().nth(1) == Some("sheets"))
        .then_some((name, variant))
}

fn link_to(path: &str, within: &str) -> String {
    let inside = path.strip_prefix(within).unwrap_or(path);
    let parts: Vec<String> = inside.split('/').map(address).collect();
    parts.join("/")
}

/// What stands before the first full stop or colon that ends a part of a sentence, not one inside a file name or number.
fn first_sentence(text: &str) -> &str {
    let end = text.find(". ").into_iter().chain(text.find(": ")).min();
    text[..end.unwrap_or(text.len())].trim_end_matches(['.', ':'])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn looks_and_endings_are_told_from_names() {
        let path = "A-light/sheets/wedge-dark.svg";
        assert_eq!(variant(path), Some(("A-light/sheets/wedge", "dark.svg")));
        assert_eq!(variant("A-light/picture.jpg"), None);
        assert_eq!(variant("A/x-light.png"), None);
    }

    #[test]
    fn links_are_encoded_and_relative_to_the_page() {
        assert_eq!(link_to("a b/x.jpg", ""), "a%20b/x.jpg");
        assert_eq!(link_to("a b/x.jpg", "a b/"), "x.jpg");
    }

    #[test]
    fn a_full_stop_in_a_file_name_ends_no_sentence() {
        assert_eq!(first_sentence("Crops of a.jpg. More"), "Crops of a.jpg");
        assert_eq!(
            first_sentence("rendered picture, JPEG"),
            "rendered picture, JPEG"
        );
    }
}
