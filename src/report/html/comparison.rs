//! Part of a bracket's section that compares the camera's own HDR picture with the merge: table with intervals and ties, tone curve,
//! edge response, ghosts.
use super::super::figure::{self, PageFigures};
use super::super::words::{self, difference, interval, percent, quantity_words};
use super::bracket::view;
use super::escape;
use super::table::Table;
use std::fmt::Write;
use stopspan_core::results::BracketReport;
use stopspan_core::results::{Comparison, ToneKind};

/// Writes the part; nothing without a comparison.
pub(super) fn comparison(
    out: &mut String,
    bracket: &BracketReport,
    pictures: &PageFigures,
    id: &str,
) {
    let Some(comparison) = &bracket.comparison else {
        return;
    };
    if let Some(sentence) = words::comparison(comparison) {
        let _ = writeln!(out, "<p>{}</p>", escape(&sentence));
    }
    table(out, comparison);
    out.push_str("<div class=\"charts\">\n");
    let figures = [
        (
            figure::tone_curve(comparison, id),
            "Tone curve of the camera's HDR",
            tone_text(comparison),
        ),
        (
            figure::edge(comparison, id),
            "Edge response",
            edge_text(comparison),
        ),
    ];
    for (svg, title, text) in figures {
        super::bracket::chart(out, svg, title, &text);
    }
    out.push_str("</div>\n");
    ghosts(out, comparison, pictures);
}

fn table(out: &mut String, comparison: &Comparison) {
    let mut table = Table::new(
        "stack compare",
        "Side by side, with 95 % intervals; tie: the interval of the difference includes 0",
        &[
            "quantity",
            "camera's HDR",
            "merge",
            "best single frame",
            "camera HDR \u{2212} merge",
            "camera HDR \u{2212} single",
        ],
    );
    for row in &comparison.quantities {
        let (name, unit) = quantity_words(row.quantity);
        let below = match &row.single_file {
            Some(file) => format!("{unit}; single: {file}"),
            None => unit.to_owned(),
        };
        let against = row.against_merge.as_ref().filter(|_| row.merge.is_some());
        table.row(
            name,
            &below,
            &[
                interval(row, row.camera_hdr.as_ref()),
                interval(row, row.merge.as_ref()),
                interval(row, row.single.as_ref()),
                difference(row, against),
                difference(row, row.against_single.as_ref()),
            ],
        );
    }
    table.finish(out);
}

fn tone_text(comparison: &Comparison) -> String {
    let Some(tone) = &comparison.tone else {
        return String::new();
    };
    let kind = match tone.kind {
        ToneKind::Global => "One curve for the whole frame",
        ToneKind::Local => "No single curve fits: tone mapping is local",
    };
    format!(
        "{kind}. Dots: flat places of 8 x 8 pixels. {} of {} places deviate from the curve by more than 5 codes and 3 times their noise; root mean square beyond noise {} codes.",
        percent(tone.off_curve.value),
        tone.cells,
        words::decimal(255.0 * tone.residual.value, 1)
    )
}

fn edge_text(comparison: &Comparison) -> String {
    let Some(edge) = comparison.edges.first() else {
        return String::new();
    };
    format!(
        "Slanted edge after ISO 12233 at column {}, row {} of the reference frame: {} degrees off the grid, contrast {} to 1, linear light. Values above 1 show sharpening.",
        edge.region.left + edge.region.width / 2,
        edge.region.top + edge.region.height / 2,
        words::decimal(edge.degrees, 1),
        words::decimal(edge.contrast, 1)
    )
}

fn ghosts(out: &mut String, comparison: &Comparison, pictures: &PageFigures) {
    let Some(picture) = &pictures.ghosts else {
        return;
    };
    let ghosts = &comparison.ghosts;
    let mut text = format!(
        "Magenta, {} of the frame: two moments mixed. Amber, {}: differs from the merge by more than local tone mapping explains, and matches none of the frames.",
        percent(ghosts.share),
        percent(ghosts.unexplained)
    );
    for ghost in ghosts.places.iter().take(4) {
        let _ = write!(
            text,
            " Column {}, row {}: {} of {} mixed in.",
            ghost.region.left + ghost.region.width / 2,
            ghost.region.top + ghost.region.height / 2,
            percent(ghost.mixed),
            ghost.frame
        );
    }
    text.push_str(&twice(comparison));
    out.push_str("<div class=\"views\">\n");
    view(
        out,
        "Ghosts in the camera's HDR",
        picture,
        "The camera's HDR picture in grey with ghosts and other disagreement marked",
        &text,
    );
    out.push_str("</div>\n");
}

/// Sentence on double edges: exposures that the camera merged out of register.
fn twice(comparison: &Comparison) -> String {
    let Some(found) = &comparison.double_edges else {
        return String::new();
    };
    match (&found.second, found.evident()) {
        _ if found.judged == 0 => {
            " Alignment of the exposures could not be checked: too little texture.".to_owned()
        }
        (None, _) => format!(
            " No double image displaced by four pixels or more ({} textured areas examined).",
            found.judged
        ),
        (Some(second), None) => format!(
            " No double image is evident: {} of {} textured areas hint at one, and the interval of that share begins at 0.",
            second.places, found.judged
        ),
        (_, Some(second)) => format!(
            " A second image {} columns and {} rows off the first, {} times as strong, in {} of {} textured areas: the exposures were not aligned.",
            words::decimal(second.shift.x, 1),
            words::decimal(second.shift.y, 1),
            words::decimal(second.strength.value, 2),
            second.places,
            found.judged
        ),
    }
}
