//! Sentences on the scene (share recorded by each frame, which frame to use alone, what the bracket lacks, sufficient brackets) and on
//! the gain of the merge.
use super::number::{count, decimal, percent, seconds};
use stopspan_core::results::BracketGain;
use stopspan_core::results::BracketReport;
use stopspan_core::results::{Advice, AdvisedFrame, BracketReach, FrameEntry, Scene};

/// Maximum number of frames whose shares are listed.
const LISTED: usize = 4;

/// Share of the scene's pixels that each frame and the merge record unclipped at SNR 10 or more. `None` without a scene.
pub fn held(bracket: &BracketReport) -> Option<String> {
    let scene = bracket.scene.as_ref()?;
    let held = scene.held.iter().find(|h| h.snr == 10.0)?;
    let span = span(scene).map_or_else(String::new, |s| format!("{s} "));
    let each: Vec<String> = bracket
        .frames
        .iter()
        .zip(&held.frames)
        .map(|(f, share)| format!("{} {}", f.file, tenths(*share)))
        .collect();
    let frames = if each.len() <= LISTED {
        format!("{}, ", each.join(", "))
    } else {
        String::new()
    };
    Some(format!(
        "{span}Share recorded unclipped at SNR 10 or better: {frames}merge {}.",
        tenths(held.merge)
    ))
}

/// Sentence on the range that 99 % of the pixels span; a lower bound if over 0.5 % of them are clipped or too dark in all frames.
fn span(scene: &Scene) -> Option<String> {
    let open = scene.clipped_share > 0.005 || scene.lost_share > 0.005;
    let bound = if open { "at least " } else { "" };
    Some(format!(
        "99 % of the scene spans {bound}{} stops.",
        decimal(scene.stops?, 1)
    ))
}

/// The frame to use where nothing is merged: "If you do not merge, use X: 98 % of the scene, highlights whole." `None` without a scene.
pub fn single(scene: &Scene, frames: &[FrameEntry]) -> Option<String> {
    let best = scene.best.as_ref()?;
    let place = frames.iter().position(|f| f.file == best.file);
    let clipped = place.and_then(|i| scene.clipped.get(i));
    let highlights = match clipped {
        Some(share) if *share >= WHOLE => format!(", {} clipped", percent(*share)),
        Some(_) => ", highlights whole".to_owned(),
        None => String::new(),
    };
    let tied: String = best.tied.iter().map(|file| format!(" or {file}")).collect();
    Some(format!(
        "If you do not merge, use {}{tied}: {} of the scene{highlights}.",
        best.file,
        whole_percent(best.value)
    ))
}

/// Share, 0..=1, of clipped pixels below which highlights count as whole.
const WHOLE: f64 = 0.001;

/// Formats a share in whole per cent, rounded down.
fn whole_percent(share: f64) -> String {
    format!("{} %", decimal((share * 100.0 + 1e-9).floor(), 0))
}

/// What the bracket lacks: "The bracket has enough", or "The bracket lacks 1.3 stops of shadow: add a frame at +2.0 (1/8 s)". `None` where no
/// radiance is known.
pub fn reach(scene: &Scene) -> Option<String> {
    let reach = scene.reach.as_ref()?;
    if reach.is_enough() && reach.shadow_stops == 0.0 {
        return Some(
            "The bracket has enough: at most 0.5 % of the picture is clipped in every frame, and as much below SNR 10."
                .to_owned(),
        );
    }
    let mut lacks = Vec::new();
    if reach.shadow_stops > 0.0 {
        let bound = if reach.shadow_is_lower_bound {
            "at least "
        } else {
            ""
        };
        lacks.push(format!(
            "{bound}{} stops of shadow ({} of the picture is below SNR 10)",
            decimal(reach.shadow_stops, 1),
            percent(reach.shadow_share)
        ));
    }
    if reach.highlight_share > BracketReach::TAIL {
        lacks.push(format!(
            "highlight, by an unknown number of stops ({} is clipped in every frame)",
            percent(reach.highlight_share)
        ));
    }
    let frames: Vec<String> = reach.add.iter().map(advised).collect();
    let add = match frames.as_slice() {
        [] => "no frame of up to 12 stops more would help".to_owned(),
        [one] => format!("add a frame at {one}"),
        [first @ .., last] => format!("add frames at {} and {last}", first.join(", ")),
    };
    Some(format!("The bracket lacks {}: {add}.", lacks.join(" and ")))
}

/// Exposure of a frame against the reference frame: "+2.0 (1/8 s)".
fn advised(frame: &AdvisedFrame) -> String {
    let time = frame.time;
    let time = time.map_or_else(String::new, |t| format!(" ({})", seconds(t)));
    format!("{}{time}", signed(frame.stops))
}

/// Sentences on the brackets of fewest frames that record the wanted shares, and on the share of one frame fewer. `None` if no bracket
/// does.
pub fn advice(scene: &Scene) -> Option<String> {
    let taken = tenths(scene.advice.first()?.taken_share);
    let plans: Vec<String> = scene
        .advice
        .iter()
        .map(|a| {
            let fewer = a.one_fewer_share.map_or_else(String::new, |share| {
                format!("; one frame fewer reaches {} at most", tenths(share))
            });
            format!("for {}, {}{fewer}", percent_exact(a.wanted_share), plan(a))
        })
        .collect();
    Some(format!(
        "The frames record {taken} of the measurable pixels at SNR 10. Fewest frames needed: {}.",
        plans.join(". And ")
    ))
}

/// A planned bracket as "2 frames, 2.3 stops apart, at -2.0 (1/1000 s), +0.3 (1/200 s) stops from the reference frame".
pub fn plan(advice: &Advice) -> String {
    let frames = count(advice.frames.len(), "frame", "frames");
    let each: Vec<String> = advice.frames.iter().map(advised).collect();
    let apart = if each.len() > 1 {
        format!(", {} stops apart", decimal(advice.spacing_stops, 1))
    } else {
        String::new()
    };
    let each = each.join(", ");
    format!("{frames}{apart}, at {each} stops from the reference frame")
}

/// Sentence on predicted and measured gain of the merge at SNR 1 and 10. `None` without a gain.
pub fn gain(bracket: &BracketReport) -> Option<String> {
    let gains = [1.0, 10.0].iter();
    let gains = gains.filter_map(|snr| bracket.gain.iter().find(|g| g.snr == *snr));
    let parts: Vec<String> = gains.filter_map(gain_at).collect();
    let spread = bracket.gain.first()?.spread_stops;
    (!parts.is_empty()).then(|| {
        format!(
            "Gain of the merge over a single frame, stops: {}; the exposures span {}{}.",
            parts.join("; "),
            decimal(spread, 2),
            glare(bracket).unwrap_or_default()
        )
    })
}

fn gain_at(gain: &BracketGain) -> Option<String> {
    let snr = decimal(gain.snr, 0);
    let predicted = gain
        .predicted_stops
        .map(|p| format!("{} predicted{}", signed2(p), split(gain)));
    let over = format!("over {}", gain.best_frame);
    match (predicted, gain.measured_stops) {
        (Some(p), Some(m)) => Some(format!("at SNR {snr} {p}, {} measured {over}", signed2(m))),
        (Some(p), None) => Some(format!("at SNR {snr} {p}")),
        (None, Some(m)) => Some(format!("at SNR {snr} {} measured {over}", signed2(m))),
        (None, None) => None,
    }
}

/// Splits a predicted gain, stops, into the part of exposure and the part of averaging. Exposures whose ranges overlap add the stops that
/// they span; the rest comes of averaging several frames in the shadows. `None` without a prediction.
pub fn gain_parts(gain: &BracketGain) -> Option<(f64, f64)> {
    let predicted = gain.predicted_stops?;
    let exposure = gain.spread_stops.min(predicted);
    Some((exposure, predicted - exposure))
}

fn split(gain: &BracketGain) -> String {
    let parts = gain_parts(gain);
    parts.map_or_else(String::new, |(exposure, averaging)| {
        format!(
            " ({} of exposure, {} of averaging)",
            decimal(exposure, 2),
            decimal(averaging, 2)
        )
    })
}

/// Clause on the range of the merge at SNR 1 with veiling glare and without it; `None` if known densities show no glare.
fn glare(bracket: &BracketReport) -> Option<String> {
    let glare = &bracket.calibration.as_ref()?.glare;
    let range = glare.ranges.iter().find(|r| r.snr == 1.0)?;
    let after = range.after_stops.filter(|_| glare.detected)?;
    Some(format!(
        "; with veiling glare the merge covers {} stops at SNR 1, {} without it",
        decimal(range.before_stops, 2),
        decimal(after, 2)
    ))
}

/// Formats a share in tenths of a per cent, rounded up, so that only 0 gives "0.0 %".
pub fn tenths_up(share: f64) -> String {
    format!("{} %", decimal((share * 1000.0 - 1e-9).ceil() / 10.0, 1))
}

/// Formats a share in per cent with a decimal only if it needs one: "99 %", "99.9 %".
fn percent_exact(share: f64) -> String {
    let value = share * 100.0;
    let digits = usize::from((value - value.round()).abs() > 1e-6);
    format!("{} %", decimal(value, digits))
}

/// Formats a share in tenths of a per cent, rounded down.
pub fn tenths(share: f64) -> String {
    let floor = (share * 1000.0 + 1e-9).floor() / 10.0;
    format!("{} %", decimal(floor, 1))
}

fn signed(value: f64) -> String {
    sign(decimal(value, 1))
}

fn signed2(value: f64) -> String {
    sign(decimal(value, 2))
}

fn sign(text: String) -> String {
    let zero = text.chars().all(|c| matches!(c, '0' | '.'));
    if zero || text.starts_with('-') {
        text
    } else {
        format!("+{text}")
    }
}
