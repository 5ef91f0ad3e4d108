//! Section of one camera's pictures without a bracket: table, wedge strips, charts, findings, steps and their tint.
use super::super::figure::{self, PageFigures};
use super::super::lone::as_bracket;
use super::super::words::{self, decimal, kind_words, limit_words, lone, stops_interval};
use super::table::{Table, none};
use super::{answer, bracket, level_counts, strips, table};
use stopspan_core::results::{LonePicture, WithoutBracket};

/// Opens the section with the camera's name and the headline, which are omitted where they are those of the page (`alone`).
pub(super) fn head(out: &mut String, entry: &WithoutBracket, id: &str, alone: bool) {
    let camera = entry.camera.as_deref().unwrap_or(&entry.name);
    let number = words::count(entry.pictures.len(), "picture", "pictures");
    let title = format!("{camera} ({number} without a bracket)");
    super::open(out, id, &title, &entry.headline, alone);
}

/// Writes the rest of the section and closes it.
pub(super) fn body(out: &mut String, entry: &WithoutBracket, figures: &PageFigures, id: &str) {
    let drawn = as_bracket(entry);
    strips::strips(out, &drawn, figures);
    answer::notes(out, &lone::findings(entry));
    bracket::folded(out, "Steps and dynamic range of every picture", |out| {
        steps(out, entry);
        ends(out, entry);
    });
    bracket::folded(out, "Charts", |out| charts(out, entry, id));
    table::steps(out, &drawn);
    tints(out, entry);
    out.push_str("</section>\n");
}

/// Writes the steps resolved by every criterion, and what linear light rests on.
fn steps(out: &mut String, entry: &WithoutBracket) {
    let of = entry.pictures.iter().find_map(|p| p.measured.levels);
    let Some(of) = of.map(|l| l.steps) else {
        return;
    };
    let mut table = Table::new(
        "stack levels",
        &format!("Steps resolved, of {of}, by each criterion"),
        &[
            "picture",
            "noise",
            "8 x 8 means",
            "code",
            "visual",
            "patch mean",
            "longest run",
            "linear light",
        ],
    );
    for picture in &entry.pictures {
        let measured = &picture.measured;
        let run = measured.levels.map(|l| l.longest_run.to_string());
        let mut cells = level_counts::counts(measured.levels.as_ref()).to_vec();
        cells.extend([run.unwrap_or_else(none), lone::light_words(&picture.light)]);
        table.row(&measured.file, kind_words(measured.kind), &cells);
    }
    table.finish(out);
}

/// Writes clipped and black steps, the order of the steps, and the range.
fn ends(out: &mut String, entry: &WithoutBracket) {
    let mut table = Table::new(
        "stack plain",
        "Steps that are clipped or black, pairs in reversed order, and stops from clipping with 95 % intervals",
        &[
            "picture",
            "clipped",
            "black",
            "reversed",
            "stops at SNR 1",
            "stops at SNR 10",
            "limited by",
        ],
    );
    for picture in &entry.pictures {
        let measured = &picture.measured;
        let range = |snr| match picture.light.gives_stops() {
            true => measured.at_snr(snr).map_or_else(none, stops_interval),
            false => "light assumed".to_owned(),
        };
        let limit = measured.at_snr(1.0).filter(|u| u.stops.is_some());
        table.row(
            &measured.file,
            kind_words(measured.kind),
            &[
                lone::step_list(&picture.clipped_steps),
                lone::step_list(&picture.crushed_steps),
                measured
                    .levels
                    .map_or_else(none, |l| l.reversals.to_string()),
                range(1.0),
                range(10.0),
                limit.map_or_else(none, |u| limit_words(u.limited_by)),
            ],
        );
    }
    table.finish(out);
}

fn charts(out: &mut String, entry: &WithoutBracket, id: &str) {
    let drawn = as_bracket(entry);
    let stops = entry.pictures.iter().any(|p| p.light.gives_stops());
    let range = stops.then(|| figure::range(&drawn, id)).flatten();
    let snr = figure::snr(&drawn, id);
    if range.is_none() && snr.is_none() {
        return;
    }
    out.push_str("<div class=\"charts\">\n");
    let caption = words::range_caption(drawn.pictures.iter(), true, true);
    bracket::chart(out, range, "Dynamic range", &caption);
    let text = "SNR of one pixel in linear light, as that was obtained for each picture. Steps with more than 1 % clipped or black pixels are omitted.";
    bracket::chart(out, snr, "SNR of each step", text);
    out.push_str("</div>\n");
}

/// Writes the colour of every step, as a collapsed table.
fn tints(out: &mut String, entry: &WithoutBracket) {
    let coloured = entry.pictures.iter().filter(|p| !p.tint.is_empty());
    let coloured: Vec<&LonePicture> = coloured.collect();
    if coloured.is_empty() {
        return;
    }
    out.push_str("<details><summary>Tint of every step (CIE a*, b*)</summary>\n");
    for picture in coloured {
        let mut table = Table::new(
            "dense",
            &format!(
                "{}: CIE L*a*b* of the mean code on an sRGB display; a neutral step has a* and b* of 0",
                picture.measured.file
            ),
            &["step", "L*", "a*", "b*"],
        );
        for tint in &picture.tint {
            let cells = [tint.lightness, tint.a, tint.b].map(|v| decimal(v, 2));
            table.row(&tint.step.to_string(), "", &cells);
        }
        table.finish(out);
    }
    out.push_str("</details>\n");
}
