//! Sentences on pictures without a bracket: the answer, how light was made linear, findings by picture.
use super::finding::finding;
use super::gathered::{runs, severity_beside, uneven_steps, urgency};
use super::number::{count, decimal, significant, stops};
use stopspan_core::finding::{Finding, Severity};
use stopspan_core::results::{LinearLight, LonePicture, PictureKind, WithoutBracket};

/// Maximum number of pictures that a headline lists.
const LISTED: usize = 3;

/// Returns the headline of a camera's pictures: steps resolved by `noise`, stops where they are known, and how light was made
/// linear.
pub fn headline(entry: &WithoutBracket) -> String {
    let told: Vec<String> = match entry.pictures.len() {
        ..=LISTED => entry.pictures.iter().map(sentence).collect(),
        many => {
            let best = entry.best_single().or(entry.best_camera_hdr());
            let others = count(many - 1, "other picture", "other pictures");
            let said = best.map(|b| {
                format!(
                    "Best of {many}: {} ({others} in the table).",
                    sentence(b).trim_end_matches('.')
                )
            });
            said.into_iter().collect()
        }
    };
    format!("{} {}", told.join(" "), lights(entry))
}

/// One picture in a sentence.
fn sentence(picture: &LonePicture) -> String {
    let measured = &picture.measured;
    let kind = match measured.kind {
        PictureKind::CameraHdr => " (camera HDR)",
        _ => "",
    };
    let Some(levels) = measured.levels else {
        return format!(
            "{}{kind} could not be measured on the wedge.",
            measured.file
        );
    };
    let by_blocks = levels.block.filter(|b| *b < levels.noise);
    let by_blocks = by_blocks.map_or_else(String::new, |b| format!(" ({b} by 8 x 8 means)"));
    let range = measured.at_snr(1.0).and_then(|u| {
        let interval = match (u.low95, u.high95) {
            (Some(low), Some(high)) => format!(" ({} to {})", decimal(low, 1), decimal(high, 1)),
            _ => String::new(),
        };
        Some(format!(
            " and covers {} stops down to SNR 1{interval}",
            stops(u)?
        ))
    });
    format!(
        "{}{kind} resolves {} of {} steps{by_blocks}{}.",
        measured.file,
        levels.noise,
        levels.steps,
        range.unwrap_or_default()
    )
}

/// What linear light rests on, once for all pictures of a camera, or with their names where they differ.
pub fn lights(entry: &WithoutBracket) -> String {
    let mut kinds: Vec<(String, Vec<&str>)> = Vec::new();
    for picture in &entry.pictures {
        let words = match &picture.light {
            LinearLight::Wedge { .. } => "measured on the wedge (ISO 14524)".to_owned(),
            other => light_words(other),
        };
        let file = picture.measured.file.as_str();
        match kinds.iter_mut().find(|k| k.0 == words) {
            Some((_, files)) => files.push(file),
            None => kinds.push((words, vec![file])),
        }
    }
    match kinds.as_slice() {
        [(words, _)] => format!("Linear light: {words}."),
        many => {
            let parts: Vec<String> = many
                .iter()
                .map(|(words, files)| format!("{words} ({})", files.join(", ")))
                .collect();
            format!("Linear light: {}.", parts.join("; "))
        }
    }
}

/// How light was made linear, in a few words.
pub fn light_words(light: &LinearLight) -> String {
    match light {
        LinearLight::Bracket { bracket } => format!("by the response of bracket {bracket}"),
        LinearLight::Saved { file } => format!("by the saved response {file}"),
        LinearLight::Wedge {
            steps,
            density_uncertainty,
            ..
        } => format!(
            "measured on {steps} steps of the wedge (ISO 14524), densities to {} D",
            significant(*density_uncertainty, 2)
        ),
        LinearLight::Linear => "levels are linear".to_owned(),
        LinearLight::Srgb => "assumed after IEC 61966-2-1 (sRGB)".to_owned(),
    }
}

/// The same in one or two words, for a narrow column.
pub fn light_name(light: &LinearLight) -> &'static str {
    match light {
        LinearLight::Bracket { .. } => "bracket",
        LinearLight::Saved { .. } => "saved",
        LinearLight::Wedge { .. } => "wedge",
        LinearLight::Linear => "linear",
        LinearLight::Srgb => "sRGB assumed",
    }
}

/// Steps as a list with runs abbreviated, "1-3, 20"; "none" for an empty one.
pub fn step_list(steps: &[usize]) -> String {
    if steps.is_empty() {
        "none".to_owned()
    } else {
        runs(steps)
    }
}

/// Returns the findings on a camera's pictures as sentences: warnings first, the most urgent before the others; with the names of the
/// pictures that they are about where there are several.
pub fn findings(entry: &WithoutBracket) -> Vec<(Severity, String)> {
    let mut list: Vec<((Severity, u8), String, Vec<&str>)> = Vec::new();
    for picture in &entry.pictures {
        let file = picture.measured.file.as_str();
        let mut add = |weight, text: String| match list.iter_mut().find(|l| l.1 == text) {
            Some((_, _, files)) if files.contains(&file) => {}
            Some((_, _, files)) => files.push(file),
            None => list.push((weight, text, vec![file])),
        };
        let plain = |f: &&Finding| !matches!(f, Finding::PatchTextured { .. });
        let own = picture.findings.iter().chain(&picture.measured.findings);
        for one in own.filter(plain) {
            let beside = severity_beside(one, &picture.measured.findings);
            add((beside, urgency(one)), finding(one));
        }
        if let Some(text) = uneven_steps(&picture.measured) {
            add((Severity::Warning, u8::MAX), text);
        }
    }
    list.sort_by_key(|((severity, urgency), ..)| (std::cmp::Reverse(*severity), *urgency));
    let several = entry.pictures.len() > 1;
    list.into_iter()
        .map(|((severity, _), text, files)| match several {
            true if files.len() < entry.pictures.len() && !text.starts_with(files[0]) => {
                (severity, format!("{}: {text}", files.join(", ")))
            }
            _ => (severity, text),
        })
        .collect()
}
