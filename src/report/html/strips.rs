//! Wedge strips of all pictures one below the other, with marks under the steps that run together, with the reason, and the number of
//! steps resolved.
use super::super::figure::{EmbeddedStrip, PageFigures};
use super::super::words::{kind_words, reason_name};
use super::escape;
use std::fmt::Write;
use stopspan_core::results::BracketReport;
use stopspan_core::results::{JoinReason, Joined, PictureMeasurement};

/// Steps from `first` to `last`, counted from 1, that run together for one reason.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Run {
    pub first: usize,
    pub last: usize,
    pub reason: JoinReason,
}

/// Writes the strips; nothing if no picture has levels.
pub(super) fn strips(out: &mut String, bracket: &BracketReport, pictures: &PageFigures) {
    let rows: Vec<(&PictureMeasurement, Option<&EmbeddedStrip>)> = bracket
        .pictures
        .iter()
        .enumerate()
        .filter(|(_, p)| p.levels.is_some())
        .map(|(i, p)| (p, pictures.strips.get(i).and_then(Option::as_ref)))
        .collect();
    let Some(steps) = rows.iter().find_map(|(p, _)| p.levels).map(|l| l.steps) else {
        return;
    };
    out.push_str("<div class=\"strips\">\n");
    scale(out, steps);
    for (picture, strip) in rows {
        let title = (picture.file.as_str(), kind_words(picture.kind).to_owned());
        row(out, title, picture, strip);
    }
    out.push_str("</div>\n");
}

/// Writes the wedge in one picture of each of several cameras, with the camera's name and the picture's.
pub(super) fn of_cameras(
    out: &mut String,
    rows: &[(&str, &PictureMeasurement, Option<&EmbeddedStrip>)],
) {
    let steps = rows.iter().filter_map(|(_, p, _)| Some(p.levels?.steps));
    let Some(steps) = steps.max() else {
        return;
    };
    out.push_str("<div class=\"strips\">\n");
    scale(out, steps);
    for (camera, picture, strip) in rows {
        row(out, (camera, picture.file.clone()), picture, *strip);
    }
    out.push_str("</div>\n");
}

fn scale(out: &mut String, steps: usize) {
    let every = steps.div_ceil(7).max(1);
    out.push_str("<div class=\"strip scale\" aria-hidden=\"true\"><div class=\"name\">step</div><div class=\"body\">");
    for step in
        (1..=steps).filter(|s| *s == 1 || s % every == 0 && steps - s >= every / 2 || *s == steps)
    {
        let _ = write!(
            out,
            "<span style=\"left:{:.2}%\">{step}</span>",
            centre(step, steps)
        );
    }
    out.push_str("</div><div class=\"count\"></div></div>\n");
}

fn row(
    out: &mut String,
    (name, what): (&str, String),
    picture: &PictureMeasurement,
    strip: Option<&EmbeddedStrip>,
) {
    let Some(levels) = picture.levels else {
        return;
    };
    let runs = runs(&picture.joined);
    let note = strip.map_or("", |s| s.note.as_str());
    let note = if note.is_empty() {
        String::new()
    } else {
        format!(", {}", escape(note))
    };
    let _ = writeln!(
        out,
        "<div class=\"strip\"><div class=\"name\"><b>{}</b><span>{}{note}</span></div>\n<div class=\"body\">",
        escape(name),
        escape(&what)
    );
    match strip.map(|s| s.picture.uri()) {
        Some(uri) => {
            let alt = describe(picture, &runs, levels.steps);
            let _ = writeln!(out, "<img src=\"{uri}\" alt=\"{}\">", escape(&alt));
        }
        None => out.push_str("<p class=\"none\">no picture of the strip</p>\n"),
    }
    let free = if runs.is_empty() { " free" } else { "" };
    let _ = write!(out, "<div class=\"marks{free}\" aria-hidden=\"true\">");
    for run in &runs {
        let (left, right) = (
            centre(run.first, levels.steps),
            centre(run.last, levels.steps),
        );
        let _ = write!(
            out,
            "<span class=\"run{}\" style=\"left:{left:.2}%;width:{:.2}%\"><i>{}</i></span>",
            side(left, right),
            right - left,
            reason_name(run.reason)
        );
    }
    let block = levels.fewer_by_block().map_or_else(String::new, |block| {
        format!(", <b>{block}</b> by 8 x 8 means")
    });
    let _ = writeln!(
        out,
        "</div></div>\n<div class=\"count\"><b>{}</b> of {}{block}</div></div>",
        levels.noise, levels.steps
    );
}

/// Class of a run whose word would reach beyond the strip: the word then begins or ends with the run.
fn side(left: f64, right: f64) -> &'static str {
    let middle = (left + right) / 2.0;
    match middle {
        ..12.0 => " early",
        88.0.. => " late",
        _ => "",
    }
}

/// Position of the centre of a step, per cent of the strip's width.
fn centre(step: usize, steps: usize) -> f64 {
    (step as f64 - 0.5) / steps.max(1) as f64 * 100.0
}

/// Combines consecutive joined pairs with the same reason into runs.
pub(crate) fn runs(joined: &[Joined]) -> Vec<Run> {
    let mut sorted = joined.to_vec();
    sorted.sort_by_key(|j| j.0);
    let mut runs: Vec<Run> = Vec::new();
    for Joined(first, last, reason) in sorted {
        match runs.last_mut() {
            Some(run) if run.last == first && run.reason == reason => run.last = last,
            _ => runs.push(Run {
                first,
                last,
                reason,
            }),
        }
    }
    runs
}

fn describe(picture: &PictureMeasurement, runs: &[Run], steps: usize) -> String {
    let list: Vec<String> = runs
        .iter()
        .map(|r| {
            let reason = reason_name(r.reason);
            format!("{} to {} ({reason})", r.first, r.last)
        })
        .collect();
    let tail = if list.is_empty() {
        "no steps run together".to_owned()
    } else {
        format!("these run together: {}", list.join(", "))
    };
    format!(
        "Wedge in {}, steps 1 (lightest) to {steps}; {tail}.",
        picture.file
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use JoinReason::{Clipped, Noise};

    #[test]
    fn pairs_that_follow_each_other_for_one_reason_make_one_run() {
        let joined = [
            Joined(19, 20, Noise),
            Joined(1, 2, Clipped),
            Joined(2, 3, Clipped),
            Joined(3, 4, Noise),
            Joined(20, 21, Noise),
        ];
        let run = |first, last, reason| Run {
            first,
            last,
            reason,
        };
        assert_eq!(
            runs(&joined),
            [run(1, 3, Clipped), run(3, 4, Noise), run(19, 21, Noise)]
        );
    }
}
