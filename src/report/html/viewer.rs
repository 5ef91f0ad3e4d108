//! Pictures of a bracket compared pixel by pixel: a list of links, which the page's script turns into a viewer.
use super::super::figure::{BracketFigures, VIEWS_FOLDER, View};
use super::{FOLDER_PLACE, escape};
use base64::Engine;
use sha2::{Digest, Sha256};
use std::fmt::Write;
use stopspan_core::Setting;
use stopspan_core::raster::Transform;
use stopspan_core::results::{BracketReport, PictureKind, RENDERED_FILE};

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

/// Writes the list of the pictures and how the viewer is used; nothing where there is only the merge.
pub(super) fn viewer(out: &mut String, bracket: &BracketReport, pictures: &BracketFigures) {
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
    let merged = View {
        name: RENDERED_FILE.into(),
        kind: PictureKind::Rendered,
        what: "merge, rendered",
        copy: "",
        placement: Transform::IDENTITY,
    };
    figure(out, &merged, RENDERED_FILE);
    // The one to use without a merge comes first beside it.
    let best_first = pictures.views.iter().filter(|v| v.copy != "reference.jpg");
    let reference = pictures.views.iter().filter(|v| v.copy == "reference.jpg");
    for view in best_first.chain(reference) {
        figure(out, view, &format!("{VIEWS_FOLDER}/{}", view.copy));
    }
    out.push_str("</div>\n</details>\n");
}

fn figure(out: &mut String, view: &View, file: &str) {
    let place: Vec<String> = view
        .placement
        .0
        .iter()
        .flatten()
        .map(f64::to_string)
        .collect();
    let (name, what) = (escape(&view.name), escape(view.what));
    let _ = writeln!(
        out,
        "<figure data-name=\"{name}\" data-kind=\"{what}\" data-place=\"{}\"><a href=\"{FOLDER_PLACE}{file}\"><img class=\"view\" loading=\"lazy\" \
         src=\"{FOLDER_PLACE}{file}\" alt=\"{name}, {what}\"></a><figcaption>{name}, {what}</figcaption></figure>",
        place.join(" ")
    );
}
