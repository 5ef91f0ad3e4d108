//! Parts of a bracket's section on the scene (sentences, chart, shares recorded, sufficient brackets), on the gain of the merge, and on
//! the range at every SNR.
use super::super::figure;
use super::super::words::{
    any_interval, decimal, kind_words, limit_words, scene as say, stops_interval,
};
use super::escape;
use super::table::{Table, none};
use std::fmt::Write;
use stopspan_core::results::BracketReport;
use stopspan_core::results::UsableStops;

/// Writes the part on the scene; nothing without a scene.
pub(super) fn scene(out: &mut String, bracket: &BracketReport, id: &str) {
    let Some(scene) = &bracket.scene else {
        return;
    };
    out.push_str("<div class=\"charts\">\n");
    if let Some(svg) = figure::scene(bracket, id) {
        let _ = writeln!(
            out,
            "<figure>{svg}<figcaption>Grey: histogram of scene radiance. Wide bar: from clipping to SNR 1. Narrow bar: to SNR 10.</figcaption></figure>"
        );
    }
    out.push_str("<div>\n");
    let sentences = [
        say::single(scene, &bracket.frames),
        say::reach(scene),
        say::held(bracket),
        say::advice(scene),
    ];
    for text in sentences.into_iter().flatten() {
        let _ = writeln!(out, "<p>{}</p>", escape(&text.replace(" -", " \u{2212}")));
    }
    let unknown = format!(
        "The best single frame loses the least area: a clipped pixel counts 2, one below SNR 10 (ISO 12232) counts 1 (common practice, no source). {} of the picture is clipped in every frame and {} is lost in noise: how much light was there is not known.",
        say::tenths_up(scene.clipped_share),
        say::tenths_up(scene.lost_share)
    );
    let _ = writeln!(
        out,
        "<p class=\"small\">{}</p>\n</div>\n</div>",
        escape(&unknown)
    );
    held(out, bracket);
}

fn held(out: &mut String, bracket: &BracketReport) {
    let Some(scene) = &bracket.scene else {
        return;
    };
    let mut table = Table::new(
        "stack plain",
        "Share of the scene clipped in any channel, and share recorded unclipped at each SNR",
        &["picture", "clipped", "SNR 1", "SNR 3", "SNR 10", "SNR 40"],
    );
    let cells =
        |clipped: Option<f64>,
         share: &dyn Fn(&stopspan_core::results::SharesAtSnr) -> Option<f64>| {
            let held = [1.0, 3.0, 10.0, 40.0].map(|snr| {
                let held = scene.held.iter().find(|h| h.snr == snr);
                held.and_then(share).map_or_else(none, say::tenths)
            });
            let mut cells = vec![clipped.map_or_else(none, say::tenths_up)];
            cells.extend(held);
            cells
        };
    for (index, frame) in bracket.frames.iter().enumerate() {
        table.row(
            &frame.file,
            "",
            &cells(scene.clipped.get(index).copied(), &|h| {
                h.frames.get(index).copied()
            }),
        );
    }
    table.row(
        "merge",
        "",
        &cells(Some(scene.clipped_share), &|h| Some(h.merge)),
    );
    table.finish(out);
}

/// Writes predicted and measured gain of the merge.
pub(super) fn gain(out: &mut String, bracket: &BracketReport) {
    if bracket.gain.is_empty() {
        return;
    }
    let mut table = Table::new(
        "stack plain",
        "Gain of the merge over a single frame, stops: predicted from that frame's noise, and measured",
        &[
            "down to",
            "single frame",
            "range",
            "predicted",
            "of exposure",
            "of averaging",
            "measured",
        ],
    );
    for gain in &bracket.gain {
        let number = |n: Option<f64>| n.map_or_else(none, |n| decimal(n, 2));
        let parts = say::gain_parts(gain);
        let frame = match gain.measured_stops {
            Some(_) => gain.best_frame.clone(),
            None => none(),
        };
        table.row(
            &format!("SNR {}", decimal(gain.snr, 0)),
            "",
            &[
                frame,
                decimal(gain.frame_stops, 2),
                number(gain.predicted_stops),
                number(parts.map(|p| p.0)),
                number(parts.map(|p| p.1)),
                number(gain.measured_stops),
            ],
        );
    }
    table.finish(out);
}

/// Writes the range of every picture at every SNR, per pixel and per area, as a collapsed table.
pub(super) fn ranges(out: &mut String, bracket: &BracketReport) {
    if bracket.pictures.iter().all(|p| p.usable_stops.is_empty()) {
        return;
    }
    out.push_str(
        "<details><summary>Dynamic range at every SNR, per pixel and per area</summary>\n",
    );
    let mut table = Table::new(
        "dense",
        if any_interval(bracket.pictures.iter()) {
            "Dynamic range in stops at each SNR with 95 % intervals: per pixel, and per pixel of the picture scaled to 1 000 000 pixels"
        } else {
            "Dynamic range in stops at each SNR, per pixel"
        },
        &[
            "picture",
            "SNR 1",
            "SNR 3",
            "SNR 10",
            "SNR 40",
            "limited at SNR 1 by",
        ],
    );
    for picture in bracket.pictures.iter() {
        let pixel =
            [1.0, 3.0, 10.0, 40.0].map(|snr| picture.at_snr(snr).map_or_else(none, stops_interval));
        let limit = |u: Option<&UsableStops>| {
            u.filter(|u| u.stops.is_some())
                .map_or_else(none, |u| limit_words(u.limited_by))
        };
        let mut cells = pixel.to_vec();
        cells.push(limit(picture.at_snr(1.0)));
        table.row(&picture.file, kind_words(picture.kind), &cells);
        let areas: Vec<Option<UsableStops>> = [1.0, 3.0, 10.0, 40.0]
            .iter()
            .map(|&snr| picture.at_snr(snr).and_then(of_area))
            .collect();
        let Some(pixels) = picture
            .at_snr(1.0)
            .and_then(|u| u.normalised)
            .map(|n| n.pixels)
        else {
            continue;
        };
        let mut cells: Vec<String> = areas
            .iter()
            .map(|a| a.as_ref().map_or_else(none, stops_interval))
            .collect();
        cells.push(limit(areas[0].as_ref()));
        table.row(
            "",
            &format!("per area of {} pixels", decimal(pixels, 1)),
            &cells,
        );
    }
    table.finish(out);
    out.push_str("</details>\n");
}

/// The range per area in place of the range per pixel; `None` where there is none.
fn of_area(usable: &UsableStops) -> Option<UsableStops> {
    let area = usable.normalised?;
    Some(UsableStops {
        stops: area.stops,
        low95: area.low95,
        high95: area.high95,
        limited_by: area.limited_by,
        ..*usable
    })
}
