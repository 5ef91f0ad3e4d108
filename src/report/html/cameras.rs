//! Section on the comparison of cameras: table, light that each recorded, limits of comparability.
use super::super::words::cameras::{
    self as words, compare_with_care, more, picture_name, short_standings,
};
use super::super::words::{decimal, settings_words, stops_interval, typeset};
use super::table::Table;
use super::{escape, strips};
use crate::figure::PageFigures;
use std::fmt::Write;
use stopspan_core::results::Report;
use stopspan_core::results::{CameraComparison, CameraRow, RankedPicture};
use stopspan_core::results::{Interval, PictureMeasurement, ShotComparison, ShotStanding};

/// Writes the section; nothing without a comparison of cameras. `brackets` and `lone` are the pictures of the report's brackets, empty
/// where those have pages of their own, and of its cameras without one.
pub(super) fn cameras(
    out: &mut String,
    report: &Report,
    brackets: &[PageFigures],
    lone: &[PageFigures],
) {
    let Some(comparison) = &report.cameras else {
        return;
    };
    out.push_str("<section>\n<h2>Cameras compared</h2>\n");
    if !comparison.rows.is_empty() {
        table(out, comparison);
        wedges(out, (report, comparison), brackets, lone);
    }
    light(out, comparison);
    if let Some(found) = &comparison.shots {
        shots(out, found);
    }
    let care = compare_with_care(comparison);
    if !care.is_empty() {
        out.push_str("<h3>Compare with care</h3>\n<ul class=\"findings\">\n");
        for sentence in &care {
            let _ = writeln!(out, "<li class=\"warning\">{}</li>", escape(sentence));
        }
        out.push_str("</ul>\n");
    }
    out.push_str("</section>\n");
}

/// The wedge in the default shot of each camera.
fn wedges(
    out: &mut String,
    (report, comparison): (&Report, &CameraComparison),
    brackets: &[PageFigures],
    lone: &[PageFigures],
) {
    let brackets = report.brackets.iter().zip(brackets);
    let brackets = brackets.map(|(b, figures)| {
        let measured: Vec<&PictureMeasurement> = b.pictures.iter().collect();
        (b.name.as_str(), measured, figures)
    });
    let lone = report.without_bracket.iter().zip(lone);
    let lone = lone.map(|(w, figures)| {
        let measured = w.pictures.iter().map(|p| &p.measured);
        (w.name.as_str(), measured.collect(), figures)
    });
    let all: Vec<_> = brackets.chain(lone).collect();
    let row = |row: &'_ CameraRow| {
        let file = row.default_shot.file.as_ref()?;
        let (_, measured, figures) = all.iter().find(|(name, ..)| *name == row.bracket)?;
        let at = measured.iter().position(|p| p.file == *file)?;
        let picture = measured[at];
        picture.levels?;
        Some((picture, figures.strips.get(at)?.as_ref()))
    };
    let rows = comparison.rows.iter();
    let rows: Vec<_> = rows
        .filter_map(|r| row(r).map(|(picture, strip)| (r.camera.as_str(), picture, strip)))
        .collect();
    if rows.len() > 1 {
        out.push_str("<h3>The wedge in the default shots</h3>\n");
        strips::of_cameras(out, &rows);
    }
}

/// A row per camera.
fn table(out: &mut String, comparison: &CameraComparison) {
    out.push_str(
        "<div class=\"scroll\"><table class=\"stack plain cameras\">\n\
         <caption><span>Steps resolved by noise, stops from clipping down to SNR 1, and below them down to SNR 10, with 95 % intervals. Only what is separated is ranked: cameras whose intervals overlap are tied, and a lower bound (\u{2265}) is an interval without an upper end.</span></caption>\
         <thead><tr><th scope=\"col\">camera</th>",
    );
    let shown: Vec<RankedPicture> = RankedPicture::ALL
        .into_iter()
        .filter(|picture| {
            comparison
                .rows
                .iter()
                .any(|r| r.figures(*picture).is_there())
        })
        .collect();
    for picture in &shown {
        let _ = write!(
            out,
            "<th scope=\"col\">{}</th>",
            escape(picture_name(*picture))
        );
    }
    let clips = comparison.rows.iter().any(|r| r.clip_above_white.is_some());
    if clips {
        out.push_str("<th scope=\"col\">clips above step 1</th>");
    }
    out.push_str("</tr></thead>\n<tbody>\n");
    for row in &comparison.rows {
        line(out, &shown, clips, row);
    }
    out.push_str("</tbody></table></div>\n");
}

fn line(out: &mut String, shown: &[RankedPicture], clips: bool, row: &CameraRow) {
    let cell = |picture: RankedPicture| {
        let f = row.figures(picture);
        let steps = f.levels.zip(row.steps);
        let steps = steps.map(|(n, of)| match f.levels_block {
            Some(block) => format!("{n} of {of} steps ({block} by 8 x 8 means)"),
            None => format!("{n} of {of} steps"),
        });
        let stops = f.snr1.map(|u| stops_interval(&u));
        let deep = f.snr10.map(|u| format!("SNR 10: {}", stops_interval(&u)));
        let parts: Vec<String> = steps.into_iter().chain(stops).chain(deep).collect();
        let figures = parts.iter().map(|p| escape(&typeset(p)).into_owned());
        let standings = short_standings(row, picture);
        let standings = standings.iter().map(|s| escape(s).into_owned());
        let lines: Vec<String> = figures.chain(standings).collect();
        let text = match lines.is_empty() {
            true => "\u{2013}".to_owned(),
            false => lines.join("<br>"),
        };
        format!("<span class=\"cell\">{text}</span>")
    };
    let clip = row.clip_above_white;
    let clip = clip.map_or_else(
        || "\u{2013}".to_owned(),
        |c| format!("{} stops", decimal(c, 2)).replace('-', "\u{2212}"),
    );
    let _ = write!(
        out,
        "<tr><th scope=\"row\">{}<span>{}<br>{}</span></th>",
        escape(&row.camera),
        escape(&row.bracket),
        escape(&settings_words(&row.settings))
    );
    for picture in shown {
        let name = escape(picture_name(*picture));
        let _ = write!(out, "<td data-label=\"{name}\">{}</td>", cell(*picture));
    }
    if clips {
        let _ = write!(out, "<td data-label=\"clips above step 1\">{clip}</td>");
    }
    out.push_str("</tr>\n");
}

/// Light that reference frames recorded, where it was measured on the wedge.
fn light(out: &mut String, comparison: &CameraComparison) {
    let pairs = comparison.light.iter();
    let pairs: Vec<_> = pairs.filter_map(|p| Some((p, p.measured?))).collect();
    if pairs.is_empty() {
        return;
    }
    out.push_str("<h3>Light recorded</h3>\n<ul class=\"findings\">\n");
    for (pair, measured) in pairs {
        let expected = pair.expected;
        let expected = expected.map_or_else(
            || "the settings are not known".to_owned(),
            |v| format!("by the settings {}", more(v)),
        );
        let uncertainty = decimal(measured.standard_uncertainty, 2);
        let _ = writeln!(
            out,
            "<li>{} against {}: {}, on the wedge {} (\u{b1} {uncertainty}); each in units of its own clipping.</li>",
            escape(&pair.second),
            escape(&pair.first),
            escape(&expected),
            escape(&more(measured.value))
        );
    }
    out.push_str("</ul>\n");
}

/// Default shots at their settings: who is brightest, cleanest, most neutral.
fn shots(out: &mut String, found: &ShotComparison) {
    out.push_str("<h3>Default shots: light, noise, colour</h3>\n");
    let sentences = words::shots(found).join(" ");
    let _ = writeln!(out, "<p>{}</p>", escape(&sentences));
    let mut table = Table::new(
        "stack plain cameras",
        &words::shots_caption(found),
        &[
            "camera",
            "light by the settings, stops",
            "light recorded, stops",
            "SNR, stops",
            "chroma",
        ],
    );
    for shot in &found.shots {
        let settings = format!("{}, {}", shot.file, settings_words(&shot.settings));
        let cell = |text: String, standing: Option<&ShotStanding>| {
            let rank = words::shot_standing(standing);
            match rank.is_empty() {
                true => text,
                false => format!("{text}; {rank}"),
            }
        };
        let expected = shot.expected_stops.map(Interval::without_interval);
        table.row(
            &shot.camera,
            &settings,
            &[
                words::with_interval(expected.as_ref(), true),
                cell(
                    words::with_interval(shot.light_stops.as_ref(), true),
                    shot.brightest.as_ref(),
                ),
                cell(
                    words::with_interval(shot.snr_stops.as_ref(), true),
                    shot.cleanest.as_ref(),
                ),
                cell(
                    words::with_interval(shot.chroma.as_ref(), false),
                    shot.most_neutral.as_ref(),
                ),
            ],
        );
    }
    table.finish(out);
}
