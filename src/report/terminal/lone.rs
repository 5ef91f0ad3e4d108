//! Pictures without a bracket as text: a row per picture, and how light was made linear.
use super::{interval, plain, sentences_of, shortened, wrap};
use crate::words::{self, lone};
use std::fmt::Write;
use stopspan_core::results::{LonePicture, WithoutBracket};

/// Writes one camera's pictures.
pub(super) fn text(out: &mut String, entry: &WithoutBracket) {
    let camera = entry.camera.as_deref().unwrap_or(&entry.name);
    let number = words::count(entry.pictures.len(), "picture", "pictures");
    let _ = writeln!(out, "{}: {number} without a bracket", plain(camera));
    wrap(out, &plain(&entry.headline), "", "");
    let steps = entry.pictures.iter().find_map(|p| p.measured.levels);
    let of = steps.map_or_else(String::new, |l| format!(" (of {})", l.steps));
    let _ = writeln!(
        out,
        "\n{:17} {:^28} {:>15}",
        "",
        format!("steps resolved{of}"),
        "stops at"
    );
    let _ = writeln!(
        out,
        "{:17} {:>5} {:>4} {:>6} {:>4} {:>5} {:>15} {:>15}",
        "picture", "noise", "code", "visual", "mean", "run", "SNR 1", "SNR 10"
    );
    for picture in &entry.pictures {
        row(out, picture);
    }
    out.push('\n');
    for picture in &entry.pictures {
        ends(out, picture);
    }
    sentences_of(out, &lone::findings(entry));
    out.push('\n');
}

fn row(out: &mut String, picture: &LonePicture) {
    let measured = &picture.measured;
    let number = |n: Option<usize>| n.map_or_else(|| "-".to_owned(), |n| n.to_string());
    let levels = measured.levels;
    let range = |snr| {
        let usable = measured.at_snr(snr);
        usable.map_or_else(|| "-".to_owned(), interval)
    };
    let _ = writeln!(
        out,
        "{:17} {:>5} {:>4} {:>6} {:>4} {:>5} {:>15} {:>15}",
        shortened(&measured.file),
        number(levels.map(|l| l.noise)),
        number(levels.and_then(|l| l.code)),
        number(levels.map(|l| l.visual)),
        number(levels.map(|l| l.patch_mean)),
        number(levels.map(|l| l.longest_run)),
        range(1.0),
        range(10.0)
    );
}

/// Clipped and black steps, and reversals of the order, where there are any.
fn ends(out: &mut String, picture: &LonePicture) {
    let reversals = picture.measured.levels.map_or(0, |l| l.reversals);
    if picture.clipped_steps.is_empty() && picture.crushed_steps.is_empty() && reversals == 0 {
        return;
    }
    let text = format!(
        "{}: clipped steps: {}; black steps: {}; reversals of the order: {reversals}.",
        picture.measured.file,
        lone::step_list(&picture.clipped_steps),
        lone::step_list(&picture.crushed_steps)
    );
    wrap(out, &plain(&text), "", "  ");
}
