//! Section of one bracket: headline, answer, and details folded by topic.
use super::super::figure::{self, EmbeddedPicture, PageFigures};
use super::super::words::{self, count, percent};
use super::{answer, comparison, densities, escape, register, scene, table, viewer};
use std::fmt::Write;
use stopspan_core::Setting;
use stopspan_core::model::ResponseCurve;
use stopspan_core::results::BracketReport;

/// Opens the section of a bracket with its name and headline, which are omitted for the only bracket (`alone`): the head of the page
/// has them.
pub(super) fn head(out: &mut String, bracket: &BracketReport, id: &str, alone: bool) {
    let frames = count(bracket.frames.len(), "frame", "frames");
    let title = format!("{} ({frames})", bracket.name.replace('_', " "));
    super::open(out, id, &title, &bracket.headline, alone);
}

/// Writes the rest of the section and closes it: the answer, then details folded by topic. `id` prefixes identifiers and is unique on the
/// page; `folder` is the address of the bracket's folder with `/`, empty for a page in it.
pub(super) fn body(
    out: &mut String,
    bracket: &BracketReport,
    pictures: &PageFigures,
    (id, folder): (&str, &str),
) {
    answer::answer(out, bracket, pictures, (id, folder));
    viewer::viewer(out, bracket, pictures, folder);
    folded(out, "Steps and dynamic range of every picture", |out| {
        table::pictures(out, bracket);
        scene::gain(out, bracket);
    });
    folded(
        out,
        "The scene, and how much of it each frame records",
        |out| {
            scene::scene(out, bracket, id);
        },
    );
    folded(
        out,
        "The camera\u{2019}s HDR picture against the merge",
        |out| {
            comparison::comparison(out, bracket, pictures, id);
        },
    );
    folded(out, "Signal-to-noise ratio and response curve", |out| {
        charts(out, bracket, id);
    });
    folded(
        out,
        "Alignment, movement, and the frame used at each pixel",
        |out| {
            views(out, bracket, pictures);
            register::register(out, bracket, pictures);
        },
    );
    folded(out, "Frames and exposures", |out| {
        table::frames(out, bracket);
        table::check(out, bracket);
    });
    folded(out, "Known densities and light on the wedge", |out| {
        densities::densities(out, bracket);
    });
    scene::ranges(out, bracket);
    table::steps(out, bracket);
    table::model(out, bracket);
    out.push_str("</section>\n");
}

/// Writes a part that opens on demand; nothing if the part is empty.
pub(super) fn folded(out: &mut String, title: &str, fill: impl FnOnce(&mut String)) {
    let mut part = String::new();
    fill(&mut part);
    if !part.is_empty() {
        let _ = writeln!(out, "<details><summary>{title}</summary>\n{part}</details>");
    }
}

fn charts(out: &mut String, bracket: &BracketReport, id: &str) {
    let method = bracket.response.as_ref().map_or_else(String::new, |r| {
        let fitted = match r.samples {
            0 => String::new(),
            samples => format!(
                " Root mean square residual {} stops over {samples} samples.",
                words::decimal(r.residual_stops, 3)
            ),
        };
        format!(
            "How it was obtained: {}.{fitted} {}",
            words::method_words(r.method),
            supported(&r.curves)
        )
    });
    let list = [
        (
            figure::snr(bracket, id),
            "SNR of each step",
            "SNR of one pixel in linear light. Steps with more than 1 % clipped or black pixels are omitted.".to_owned(),
        ),
        (
            figure::response(bracket, id),
            "Response curve",
            format!("Bands: 95 % interval of each level, without the span of the bracket. {method}"),
        ),
        (
            figure::oecf(bracket, id),
            "Level against exposure (OECF)",
            "Green code of each step against the exposure it received. Frames with the same response share one line.".to_owned(),
        ),
    ];
    if list.iter().all(|(svg, _, _)| svg.is_none()) {
        return;
    }
    out.push_str("<div class=\"charts\">\n");
    for (svg, title, text) in list {
        chart(out, svg, title, &text);
    }
    out.push_str("</div>\n");
}

/// Writes a chart with its title and caption; nothing without a chart.
pub(super) fn chart(out: &mut String, svg: Option<String>, title: &str, text: &str) {
    if let Some(svg) = svg {
        let _ = writeln!(
            out,
            "<figure><h3>{title}</h3>\n{svg}<figcaption>{}</figcaption></figure>",
            escape(text)
        );
    }
}

/// Sentence on the range of codes that the data support in every channel.
fn supported(curves: &[ResponseCurve]) -> String {
    let low = curves.iter().map(|c| c.supported.0).fold(0.0, f64::max);
    let high = curves.iter().map(|c| c.supported.1).fold(1.0, f64::min);
    let code = |level: f64| words::decimal(level * 255.0, 0);
    format!(
        "The data support codes {} to {}; beyond them the curve is extrapolated.",
        code(low),
        code(high)
    )
}

fn views(out: &mut String, bracket: &BracketReport, pictures: &PageFigures) {
    let Some(source) = &pictures.source else {
        return;
    };
    out.push_str("<div class=\"views\">\n");
    view(
        out,
        "Frame with the largest weight",
        source,
        "Map of the frame with the largest weight at each pixel",
        "",
    );
    legend(out, bracket);
    out.push_str("</div>\n");
}

/// Caption of the merged picture: what its outline is.
pub(super) fn preview_text(bracket: &BracketReport) -> String {
    let outline = match (&bracket.wedge, &bracket.candidate) {
        (Some(_), _) => " Dashed: the wedge as measured.".to_owned(),
        (None, Some(seen)) => format!(
            " Dashed: a possible wedge of {} x {} patches, not measured ({}). If it is the wedge, give {} and {}.",
            seen.rows,
            seen.columns,
            words::why_not_measured(seen.confidence.unwrap_or(0.0)),
            Setting::WedgeCorners,
            Setting::WedgeGrid
        ),
        (None, None) => String::new(),
    };
    format!("The merged picture, reduced.{outline}")
}

/// The merged picture, as a link to the whole file.
pub(super) fn view_linked(out: &mut String, picture: &EmbeddedPicture, file: &str, text: &str) {
    let _ = writeln!(
        out,
        "<figure><a href=\"{file}\"><img class=\"view\" src=\"{}\" alt=\"Tone-mapped rendering of the radiance map; opens the whole picture\"></a><figcaption>{}</figcaption></figure>",
        picture.uri(),
        escape(text)
    );
}

pub(super) fn view(
    out: &mut String,
    title: &str,
    picture: &EmbeddedPicture,
    alt: &str,
    text: &str,
) {
    let _ = write!(
        out,
        "<figure><h3>{title}</h3><img class=\"view\" src=\"{}\" alt=\"{}\">",
        picture.uri(),
        escape(alt)
    );
    if !text.is_empty() {
        let _ = write!(out, "<figcaption>{}</figcaption>", escape(text));
    }
    out.push_str("</figure>\n");
}

/// Inserts the legend of the map of sources into the figure that was just written.
fn legend(out: &mut String, bracket: &BracketReport) {
    out.truncate(out.len() - "</figure>\n".len());
    out.push_str("<ul class=\"swatches\">");
    let shares = bracket.map.as_ref().map(|m| m.largest_weight.as_slice());
    let entry = |out: &mut String, [r, g, b]: [u8; 3], text: &str| {
        let _ = write!(
            out,
            "<li><svg class=\"swatch\" viewBox=\"0 0 14 14\" aria-hidden=\"true\"><rect width=\"14\" height=\"14\" fill=\"rgb({r},{g},{b})\"/></svg>{}</li>",
            escape(text)
        );
    };
    for (index, frame) in bracket.frames.iter().enumerate() {
        let share = shares.and_then(|s| s.get(index));
        let share = share.map_or_else(String::new, |s| format!(", {}", percent(*s)));
        let colour = figure::source_colour(index, bracket.frames.len());
        entry(out, colour, &format!("{}{share}", frame.file));
    }
    entry(out, figure::NO_SOURCE, "no usable frame");
    out.push_str("</ul></figure>\n");
}

#[cfg(test)]
mod tests {
    use super::*;
    use stopspan_core::model::UNIT_SQUARE;
    use stopspan_core::results::WedgePlace;

    #[test]
    fn the_legend_says_why_a_candidate_was_not_measured() {
        let text = |confidence| {
            let candidate = WedgePlace {
                corners: UNIT_SQUARE,
                rows: 1,
                columns: 20,
                densities: None,
                density_uncertainty: None,
                dark_first: false,
                boustrophedon: false,
                confidence: Some(confidence),
            };
            preview_text(&BracketReport {
                candidate: Some(candidate),
                ..BracketReport::default()
            })
        };
        assert!(text(0.9).contains("1 x 20 patches, not measured (not the size asked for)"));
        assert!(text(0.3).contains("1 x 20 patches, not measured (too doubtful)"));
    }
}
