//! Section on the comparison of cameras: table, light that each recorded, limits of comparability.
use super::super::words::{decimal, seconds, stops_interval, typeset};
use super::escape;
use std::fmt::Write;
use stopspan_core::results::Report;
use stopspan_core::results::{CameraComparison, CameraRow, LevelsAndRange, NotComparable};

/// Writes the section; nothing without a comparison of cameras.
pub(super) fn cameras(out: &mut String, report: &Report) {
    let Some(comparison) = &report.cameras else {
        return;
    };
    let intervals = if comparison.rows.iter().any(CameraRow::has_interval) {
        ", with 95 % intervals. Rows whose intervals overlap share a rank."
    } else {
        ". Without intervals there are no ranks by stops."
    };
    let _ = writeln!(
        out,
        "<section>\n<h2>Cameras beside each other</h2>\n<div class=\"scroll\"><table class=\"stack plain cameras\">\n\
         <caption><span>Steps told apart by noise, stops from clipping down to SNR 1, and below them down to SNR 10{intervals}</span></caption>"
    );
    out.push_str(
        "\
         <thead><tr><th scope=\"col\">camera</th><th scope=\"col\">rank by stops, steps</th><th scope=\"col\">single frame</th><th scope=\"col\">camera's HDR</th><th scope=\"col\">merge</th><th scope=\"col\">clips above step 1</th></tr></thead>\n<tbody>\n",
    );
    for row in &comparison.rows {
        line(out, row);
    }
    out.push_str("</tbody></table></div>\n");
    light(out, comparison);
    if !comparison.not_comparable.is_empty() {
        out.push_str("<h3>Not comparable without a word</h3>\n<ul class=\"findings\">\n");
        for one in &comparison.not_comparable {
            let _ = writeln!(out, "<li class=\"warning\">{}</li>", escape(&words(one)));
        }
        out.push_str("</ul>\n");
    }
    out.push_str("</section>\n");
}

fn line(out: &mut String, row: &CameraRow) {
    let rank = |r: Option<usize>| r.map_or_else(|| "\u{2013}".to_owned(), |r| r.to_string());
    let cell = |f: &LevelsAndRange| {
        let steps = f.levels.zip(row.steps);
        let steps = steps.map(|(n, of)| format!("{n} of {of} steps"));
        let stops = f.snr1.map(|u| stops_interval(&u));
        let deep = f.snr10.map(|u| format!("SNR 10: {}", stops_interval(&u)));
        let parts: Vec<String> = steps.into_iter().chain(stops).chain(deep).collect();
        let text = if parts.is_empty() {
            "\u{2013}".to_owned()
        } else {
            let lines = parts.iter().map(|p| escape(&typeset(p)).into_owned());
            lines.collect::<Vec<_>>().join("<br>")
        };
        format!("<span class=\"cell\">{text}</span>")
    };
    let clip = row.clip_above_white;
    let clip = clip.map_or_else(
        || "\u{2013}".to_owned(),
        |c| format!("{} stops", decimal(c, 2)).replace('-', "\u{2212}"),
    );
    let settings = [
        row.settings.time.map(|t| seconds(t.0)),
        row.settings
            .aperture
            .map(|n| format!("f/{}", decimal(n.0, 1))),
        row.settings
            .speed
            .map(|s| format!("ISO {}", decimal(s.0, 0))),
    ];
    let settings: Vec<String> = settings.into_iter().flatten().collect();
    let _ = writeln!(
        out,
        "<tr><th scope=\"row\">{}<span>{}<br>{}</span></th><td data-label=\"rank by stops, steps\">{}, {}</td><td data-label=\"single frame\">{}</td><td data-label=\"camera&#39;s HDR\">{}</td><td data-label=\"merge\">{}</td><td data-label=\"clips above step 1\">{clip}</td></tr>",
        escape(&row.camera),
        escape(&row.bracket),
        escape(&settings.join(", ")),
        rank(row.rank_stops),
        rank(row.rank_levels),
        cell(&row.single),
        cell(&row.camera_hdr),
        cell(&row.merge)
    );
}

fn light(out: &mut String, comparison: &CameraComparison) {
    if comparison.light.is_empty() {
        return;
    }
    out.push_str("<h3>Light recorded</h3>\n<ul class=\"findings\">\n");
    for pair in &comparison.light {
        let expected = pair.expected;
        let expected = expected.map_or_else(
            || "the settings do not say how much".to_owned(),
            |v| format!("by the settings {}", more(v)),
        );
        let measured = pair.measured.map_or_else(
            || "on the wedge not measured".to_owned(),
            |m| {
                let uncertainty = decimal(m.standard_uncertainty, 2);
                format!("on the wedge {} (\u{b1} {uncertainty})", more(m.value))
            },
        );
        let _ = writeln!(
            out,
            "<li>{} against {}: {}, {}; each in units of its own clipping.</li>",
            escape(&pair.second),
            escape(&pair.first),
            escape(&expected),
            escape(&measured)
        );
    }
    out.push_str("</ul>\n");
}

/// A signed difference as "1.03 stops less".
fn more(stops: f64) -> String {
    let word = if stops < 0.0 { "less" } else { "more" };
    format!("{} stops {word}", decimal(stops.abs(), 2))
}

fn words(reason: &NotComparable) -> String {
    match reason {
        NotComparable::Wedge { bracket } => {
            format!(
                "{bracket}: another number of steps than the first camera's wedge, so step counts do not compare."
            )
        }
        NotComparable::Framing { bracket, ratio } => format!(
            "{bracket}: a patch fills {} times the share of the frame's width that it fills for the first camera; blur and noise per pixel weigh differently.",
            decimal(*ratio, 2)
        ),
        NotComparable::Light {
            bracket,
            difference,
        } => format!(
            "{bracket}: recorded {} light than its settings explain: the light changed, or the sensitivity is stated in another way.",
            more(*difference)
        ),
        NotComparable::Speed {
            bracket,
            speed,
            first,
        } => format!(
            "{bracket}: ISO {} against ISO {} for the first camera; noise belongs to the setting.",
            decimal(*speed, 0),
            decimal(*first, 0)
        ),
    }
}
