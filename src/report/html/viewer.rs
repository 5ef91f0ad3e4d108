//! Pictures of a bracket compared pixel by pixel: a list of links, which the page's script turns into a viewer.
use super::super::figure::{PageFigures, VIEWS_FOLDER, View, ViewRole};
use super::escape;
use base64::Engine;
use sha2::{Digest, Sha256};
use std::fmt::Write;
use stopspan_core::Setting;
use stopspan_core::raster::Transform;
use stopspan_core::results::{BracketReport, RENDERED_FILE};

/// The viewer as an ECMAScript module that exports `Viewer` and turns every element with `data-viewer` into one; the desk's page
/// uses the same file.
pub const VIEWER_MODULE: &str = include_str!("viewer.js");
/// Its style, with the colours of the page's style sheet.
pub const VIEWER_STYLE: &str = include_str!("viewer.css");

/// The module as the page has it between its script tags: without comments and indentation.
pub fn viewer_script() -> String {
    let comment = |line: &&str| {
        ["//", "/**", "* ", "*/"]
            .iter()
            .any(|c| line.starts_with(c))
    };
    let lines = VIEWER_MODULE.lines().map(str::trim);
    let lines: Vec<&str> = lines.filter(|l| !l.is_empty() && !comment(l)).collect();
    format!("\n{}\n", lines.join("\n"))
}

/// The script as a policy of a page names it (Content Security Policy Level 3, hash-source): no other script then runs on that page.
pub fn viewer_script_source() -> String {
    let sum = Sha256::digest(viewer_script());
    let sum = base64::engine::general_purpose::STANDARD.encode(sum);
    format!("'sha256-{sum}'")
}

/// Writes the list of the pictures and how the viewer is used; nothing where there is only the merge. The bracket's folder is at the
/// address `folder`.
pub(super) fn viewer(
    out: &mut String,
    bracket: &BracketReport,
    pictures: &PageFigures,
    folder: &str,
) {
    let (Some(map), false) = (&bracket.map, pictures.views.is_empty()) else {
        return;
    };
    let _ = write!(
        out,
        "<details class=\"compared\"><summary>Pictures side by side, down to single pixels</summary>\n\
         <p class=\"small\">Frames and the camera\u{2019}s HDR picture are copies with the pixels of the originals, placed by the alignment and not \
         resampled. <span class=\"scripted\">Drag, or use the arrow keys, to move; zoom with the wheel (click a picture first), + and \u{2212}, or \
         two fingers; 0 shows the whole picture, 1 shows 100 %. A double click, or M, marks a point: four marks, from the top-left corner \
         clockwise, are what {} takes.</span></p>\n<div class=\"viewer\" data-viewer data-width=\"{}\" data-height=\"{}\">\n",
        Setting::WedgeCorners,
        map.columns,
        map.rows
    );
    let file = format!("{folder}{RENDERED_FILE}");
    let words = (RENDERED_FILE, "merge, rendered");
    figure(out, words, &Transform::IDENTITY, &file);
    // The one to use without a merge comes first beside it.
    let mut views: Vec<&View> = pictures.views.iter().collect();
    views.sort_by_key(|v| v.role.copy() == ViewRole::Reference.copy());
    for view in views {
        let file = format!("{folder}{VIEWS_FOLDER}/{}", view.role.copy());
        let words = (view.name.as_str(), view.role.words());
        figure(out, words, &view.placement, &file);
    }
    out.push_str("</div>\n</details>\n");
}

/// Writes one picture: its name and what it is, its placement on the merge, and the address of its file.
fn figure(out: &mut String, (name, what): (&str, &str), placement: &Transform, file: &str) {
    let place = placement.0.iter().flatten();
    let place: Vec<String> = place.map(f64::to_string).collect();
    let (name, what) = (escape(name), escape(what));
    let _ = writeln!(
        out,
        "<figure data-name=\"{name}\" data-kind=\"{what}\" data-place=\"{}\"><a href=\"{file}\"><img class=\"view\" loading=\"lazy\" \
         src=\"{file}\" alt=\"{name}, {what}\"></a><figcaption>{name}, {what}</figcaption></figure>",
        place.join(" ")
    );
}
