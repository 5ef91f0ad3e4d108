//! Tables of a bracket: pictures, frames, exposure check, every step, noise model and map.
use super::super::words::{
    any_interval, count, decimal, kind_words, limit_words, percent, reason_name, seconds,
    significant, source_name, stops_interval, typeset,
};
use super::escape;
use super::level_counts::counts;
use std::fmt::Write;
use stopspan_core::results::{BracketReport, FrameEntry};
use stopspan_core::results::{JoinReason, Pair, Patch, PictureMeasurement, UsableStops};
use stopspan_core::units::Estimate;

/// A table under construction. It escapes the text of every cell; callers do not.
pub(super) struct Table {
    heads: Vec<&'static str>,
    out: String,
}

impl Table {
    pub(super) fn new(class: &str, caption: &str, heads: &[&'static str]) -> Self {
        let mut out = format!(
            "<div class=\"scroll\" role=\"group\" tabindex=\"0\" aria-label=\"{0}\"><table class=\"{class}\" role=\"table\"><caption><span>{0}</span></caption>\n<thead role=\"rowgroup\"><tr role=\"row\">",
            escape(caption)
        );
        for head in heads {
            let _ = write!(
                out,
                "<th scope=\"col\" role=\"columnheader\">{}</th>",
                escape(head)
            );
        }
        out.push_str("</tr></thead>\n<tbody role=\"rowgroup\">\n");
        Table {
            heads: heads.to_vec(),
            out,
        }
    }

    /// Adds a row: its head, a smaller line `below` the head, the other cells.
    pub(super) fn row(&mut self, head: &str, below: &str, cells: &[String]) {
        let _ = write!(
            self.out,
            "<tr role=\"row\"><th scope=\"row\" role=\"rowheader\">{}",
            escape(head)
        );
        if !below.is_empty() {
            let _ = write!(self.out, "<span>{}</span>", escape(below));
        }
        self.out.push_str("</th>");
        for (cell, label) in cells.iter().zip(self.heads.iter().skip(1)) {
            let shown = escape(&signs(&typeset(cell))).to_string();
            // Lets an interval wrap onto the line below its figure.
            let shown = match shown.split_once(" (") {
                Some((figure, ends)) => format!("{figure} <span class=\"ends\">({ends}</span>"),
                None => shown,
            };
            let label = escape(label);
            let _ = write!(
                self.out,
                "<td role=\"cell\" data-label=\"{label}\">{shown}</td>"
            );
        }
        self.out.push_str("</tr>\n");
    }

    pub(super) fn finish(self, out: &mut String) {
        out.push_str(&self.out);
        out.push_str("</tbody></table></div>\n");
    }
}

/// Replaces an en dash at the start of a number by the minus sign.
fn signs(text: &str) -> String {
    match text.strip_prefix('\u{2013}') {
        Some(rest) if rest.starts_with(|c: char| c.is_ascii_digit()) => format!("\u{2212}{rest}"),
        _ => text.to_owned(),
    }
}

/// Writes a table with a row per picture: steps resolved by every criterion, dynamic range, its limit.
pub(super) fn pictures(out: &mut String, bracket: &BracketReport) {
    if bracket.pictures.is_empty() {
        return;
    }
    let caption = match bracket.pictures.steps() {
        Some(steps) => format!(
            "Steps resolved, of {steps}, by each criterion; dynamic range in stops with 95 % intervals"
        ),
        None if any_interval(bracket.pictures.iter()) => {
            "Dynamic range in stops with 95 % intervals (no wedge, so no steps are counted)"
                .to_owned()
        }
        None => "Dynamic range in stops (no wedge, so no steps are counted and no intervals known)"
            .to_owned(),
    };
    let mut table = Table::new(
        "stack levels",
        &caption,
        &[
            "picture",
            "noise",
            "8 x 8 means",
            "code",
            "visual",
            "patch mean",
            "stops at SNR 1",
            "stops at SNR 10",
            "limited by",
        ],
    );
    for picture in bracket.pictures.iter() {
        let range = |snr| picture.at_snr(snr).map_or_else(none, stops_interval);
        let limit = picture
            .at_snr(1.0)
            .filter(|u: &&UsableStops| u.stops.is_some());
        let mut cells = counts(picture.levels.as_ref()).to_vec();
        cells.extend([
            range(1.0),
            range(10.0),
            limit.map_or_else(none, |u| limit_words(u.limited_by)),
        ]);
        table.row(&picture.file, kind_words(picture.kind), &cells);
    }
    table.finish(out);
}

/// Writes a table with a row per frame: settings, stated and used exposure, clipped and crushed shares, displacement.
pub(super) fn frames(out: &mut String, bracket: &BracketReport) {
    if bracket.frames.is_empty() {
        return;
    }
    let reference = bracket.frames.iter().find(|f| f.reference);
    let against = |f: &FrameEntry, of: fn(&FrameEntry) -> Estimate| {
        let zero = reference.map_or(0.0, |r| of(r).value);
        with_uncertainty(
            Estimate::new(of(f).value - zero, of(f).standard_uncertainty),
            3,
        )
    };
    let mut table = Table::new(
        "stack plain",
        "Frames; exposure in stops against the reference, with standard uncertainty",
        &[
            "frame",
            "time",
            "f-number",
            "ISO",
            "stated",
            "used",
            "used from",
            "clipped",
            "black",
            "displaced",
        ],
    );
    for frame in &bracket.frames {
        let s = frame.settings;
        let share = |s: Option<f64>| s.map_or_else(none, percent);
        table.row(
            &frame.file,
            if frame.reference { "reference" } else { "" },
            &[
                s.time.map_or_else(none, |t| seconds(t.0)),
                s.aperture
                    .map_or_else(none, |n| format!("f/{}", significant(n.0, 2))),
                s.speed.map_or_else(none, |s| decimal(s.0, 0)),
                against(frame, |f| f.exposure.stated),
                against(frame, |f| f.exposure.used),
                source_name(frame.exposure.source).to_owned(),
                share(frame.clipped_share),
                share(frame.crushed_share),
                displaced(frame),
            ],
        );
    }
    table.finish(out);
}

fn displaced(frame: &FrameEntry) -> String {
    frame.shift.map_or_else(none, |s| {
        format!("{} px", decimal(s.columns.hypot(s.rows), 2))
    })
}

/// Writes stated and measured exposure ratio of every pair of frames, and the closure of every triple.
pub(super) fn check(out: &mut String, bracket: &BracketReport) {
    let Some(check) = &bracket.exposure_check else {
        return;
    };
    let mut table = Table::new(
        "stack plain",
        "Exposure check: ratio of each pair in stops, stated and measured from pixels, with standard uncertainty",
        &["pair", "stated", "measured", "measured less stated", "used"],
    );
    for pair in &check.pairs {
        let difference = pair.measured.map(|m| m.value - pair.stated.value);
        table.row(
            &format!("{} \u{2192} {}", pair.first, pair.second),
            "",
            &[
                with_uncertainty(pair.stated, 3),
                pair.measured.map_or_else(none, |m| with_uncertainty(m, 4)),
                difference.map_or_else(none, |d| decimal(d, 4)),
                decimal(pair.used_stops, 4),
            ],
        );
    }
    table.finish(out);
    for closure in &check.closures {
        let _ = writeln!(
            out,
            "<p class=\"small\">Sum of the steps around {}: {} stops (0 in a consistent bracket).</p>",
            escape(&closure.files.join(", ")),
            escape(&with_uncertainty(closure.closure, 4).replace('-', "\u{2212}"))
        );
    }
}

/// Writes every step of every picture, as collapsed tables.
pub(super) fn steps(out: &mut String, bracket: &BracketReport) {
    let pictures: Vec<_> = bracket
        .pictures
        .iter()
        .filter(|p| !p.patches.is_empty())
        .collect();
    if pictures.is_empty() {
        return;
    }
    let _ = writeln!(
        out,
        "<details><summary>Every step of {}</summary>",
        count(pictures.len(), "picture", "pictures")
    );
    for picture in pictures {
        steps_of(out, picture);
    }
    out.push_str("</details>\n");
}

/// Writes every step of one picture as a table: each step alone, and against the next darker one.
fn steps_of(out: &mut String, picture: &PictureMeasurement) {
    let smallest = picture
        .patches
        .iter()
        .map(|p| p.size_px[0].min(p.size_px[1]));
    let smallest = smallest.fold(f64::INFINITY, f64::min);
    let mut table = Table::new(
        "dense",
        &format!(
            "{}: steps (the smallest patch is {} px wide), and each against the next darker one",
            picture.file,
            decimal(smallest, 0)
        ),
        &[
            "step",
            "density",
            "code",
            "SNR",
            "clipped",
            "separation",
            "Δcode",
            "ΔL*",
            "ΔJND",
            "resolved by",
            "why not by noise",
        ],
    );
    for patch in &picture.patches {
        let pair = picture.pairs.iter().find(|p| p.step == patch.step);
        table.row(&patch.step.to_string(), "", &cells_of_step(patch, pair));
    }
    table.finish(out);
}

/// Cells of the row of one step; `pair` is the step with the next darker one, `None` for the darkest.
fn cells_of_step(patch: &Patch, pair: Option<&Pair>) -> [String; 10] {
    let snr = if patch.clipped_share > 0.01 {
        none()
    } else {
        significant(patch.snr, 3)
    };
    [
        patch.density.map_or_else(none, |d| decimal(d, 2)),
        patch.code.map_or_else(none, |c| decimal(c[1], 1)),
        snr,
        percent(patch.clipped_share),
        pair.map_or_else(none, |p| decimal(p.separation, 2)),
        pair.and_then(|p| p.code_difference)
            .map_or_else(none, |d| decimal(d, 1)),
        pair.map_or_else(none, |p| decimal(p.lightness_difference, 2)),
        pair.map_or_else(none, |p| decimal(p.jnd_difference, 1)),
        pair.map_or_else(none, criteria_met),
        pair.map_or_else(String::new, why_joined),
    ]
}

/// The criteria that tell the steps of a pair apart, as "noise, visual"; "none" if no criterion does.
fn criteria_met(pair: &Pair) -> String {
    let names = [
        (pair.by_noise, "noise"),
        (pair.by_code == Some(true), "code"),
        (pair.by_visual, "visual"),
        (pair.by_mean, "mean"),
    ];
    let list: Vec<&str> = names.iter().filter(|n| n.0).map(|n| n.1).collect();
    if list.is_empty() {
        "none".to_owned()
    } else {
        list.join(", ")
    }
}

/// Why noise does not tell the steps of a pair apart, with the deciding number and its limit; empty if it does.
fn why_joined(pair: &Pair) -> String {
    let (by, limit) = (pair.decided_by, pair.limit);
    match pair.reason {
        None => String::new(),
        Some(reason @ (JoinReason::Clipped | JoinReason::Crushed)) => format!(
            "{}, {} over {}",
            reason_name(reason),
            percent(by),
            percent(limit)
        ),
        Some(reason) => format!(
            "{}, {} under {}",
            reason_name(reason),
            decimal(by, 2),
            decimal(limit, 0)
        ),
    }
}

/// Writes noise model and coverage of the map, as collapsed tables.
pub(super) fn model(out: &mut String, bracket: &BracketReport) {
    if bracket.noise.is_none() && bracket.map.is_none() {
        return;
    }
    out.push_str("<details><summary>Noise model and radiance map</summary>\n");
    if let Some(noise) = &bracket.noise {
        let mut table = Table::new(
            "",
            &format!("Noise model: {}", noise.source),
            &["number", "channel", "value", "standard uncertainty", "unit"],
        );
        for term in &noise.terms {
            let uncertainty = term.standard_uncertainty;
            table.row(
                &term.name,
                "",
                &[
                    term.channel.clone().unwrap_or_else(|| "all".to_owned()),
                    significant(term.value, 4),
                    uncertainty.map_or_else(none, |u| significant(u, 2)),
                    term.unit.clone(),
                ],
            );
        }
        table.finish(out);
        out.push_str(super::notes::ALIKE_IN_ALL);
    }
    if let Some(map) = &bracket.map {
        let caption = format!(
            "Radiance map, {} x {} pixels: share of pixels",
            map.columns, map.rows
        );
        let mut table = Table::new("", &caption, &["what", "share"]);
        for (name, share) in [
            ("clipped in every frame (lower bounds)", map.clipped_in_all),
            ("darker than the noise in every frame", map.dark_in_all),
            ("from one frame alone", map.one_frame),
            ("covered by no other frame", map.uncovered),
            ("where something moved", map.moved),
        ] {
            table.row(name, "", &[percent(share)]);
        }
        table.finish(out);
    }
    out.push_str("</details>\n");
}

pub(super) fn none() -> String {
    "-".to_owned()
}

/// An estimate with its standard uncertainty, as "1.000 ± 0.050".
pub(super) fn with_uncertainty(estimate: Estimate, digits: usize) -> String {
    format!(
        "{} \u{b1} {}",
        decimal(estimate.value, digits),
        decimal(estimate.standard_uncertainty, digits)
    )
}
