//! Sentences on the scene (share recorded by each frame, best frame, sufficient bracket) and on the gain of the merge.
use super::number::{count, decimal, seconds};
use stopspan_core::results::BracketGain;
use stopspan_core::results::BracketReport;
use stopspan_core::results::{Advice, BestFrame, Criterion, Scene};

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
        "{span}Unclipped and at SNR 10 or more: {frames}the merge {} of the pixels.",
        tenths(held.merge)
    ))
}

/// Sentence on the range that 99 % of the pixels span; a lower bound if over 0.5 % of them are clipped or too dark in all frames.
fn span(scene: &Scene) -> Option<String> {
    let open = scene.clipped_share > 0.005 || scene.lost_share > 0.005;
    let bound = if open { "at least " } else { "" };
    Some(format!(
        "99 % of the scene's pixels span {bound}{} stops.",
        decimal(scene.stops?, 1)
    ))
}

/// Sentence on the best single frame, or on those that tie, with the number that decided.
pub fn best(best: &BestFrame) -> String {
    let (what, number): (&str, &dyn Fn(f64) -> String) = match best.criterion {
        Criterion::ShareAtSnr10 => ("holds most of the scene at SNR 10", &tenths),
        Criterion::ShareAtSnr40 => (
            "holds most of the scene at SNR 40, among those that hold as much at SNR 10",
            &tenths,
        ),
        Criterion::LevelsByNoise => ("tells most steps apart by noise", &|v| decimal(v, 0)),
        Criterion::StopsAtSnr10 => (
            "has the longest range down to SNR 10, among those that tell as many steps apart",
            &|v| format!("{} stops", decimal(v, 3)),
        ),
    };
    if !best.tied.is_empty() {
        let than = match best.criterion {
            Criterion::StopsAtSnr10 => {
                "with a longest range down to SNR 10, among those that tell as many steps apart, of"
            }
            Criterion::LevelsByNoise => "with most steps told apart by noise,",
            Criterion::ShareAtSnr10 => "holding most of the scene at SNR 10,",
            Criterion::ShareAtSnr40 => {
                "holding most of the scene at SNR 10, as much as each other, and at SNR 40"
            }
        };
        let next = best
            .next
            .map_or_else(String::new, |n| format!(" and {}", number(n)));
        return format!(
            "{} and {} tie, {than} {}{next}: no further apart than they are uncertain.",
            best.file,
            best.tied.join(", "),
            number(best.value),
        );
    }
    let next = best
        .next
        .filter(|n| n.is_finite())
        .map_or_else(String::new, |n| format!(", the next {}", number(n)));
    format!("{} {what}: {}{next}.", best.file, number(best.value))
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
                format!("; one frame fewer holds {} at most", tenths(share))
            });
            format!("for {}, {}{fewer}", percent_exact(a.wanted_share), plan(a))
        })
        .collect();
    Some(format!(
        "Of the pixels whose radiance is known the frames taken hold {taken} at SNR 10. Fewest frames that do: {}.",
        plans.join(". And ")
    ))
}

/// A planned bracket as "2 frames, 2.3 stops apart, at -2.0 (1/1000 s), +0.3 (1/200 s) stops from the reference frame".
pub fn plan(advice: &Advice) -> String {
    let frames = count(advice.frames.len(), "frame", "frames");
    let each: Vec<String> = advice
        .frames
        .iter()
        .map(|f| {
            let time = f
                .time
                .map_or_else(String::new, |t| format!(" ({})", seconds(t)));
            format!("{}{time}", signed(f.stops))
        })
        .collect();
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
            "The merge holds more stops than the best single frame: {}; the exposures alone span {}{}.",
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
        "; under veiling glare the merge holds {} stops at SNR 1, {} with the glare taken off",
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
