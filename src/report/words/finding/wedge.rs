//! Sentences on the wedge and its patches.
use crate::words::gathered::runs;
use crate::words::number::decimal;
use stopspan_core::Setting;
use stopspan_core::finding::{EndDoubt, WedgeEnd};
use stopspan_core::results::CONFIDENT;

pub fn no_wedge(looked_for: &str) -> String {
    format!("No wedge was found; looked for {looked_for}.")
}

pub fn wedge_found(confidence: &f64, steps: &usize) -> String {
    format!(
        "A wedge of {steps} steps was found by itself, confidence {} of 1.",
        decimal(*confidence, 2)
    )
}

pub fn wedge_seen_further(steps: &usize, seen: &usize) -> String {
    format!(
        "{steps} steps were found here; another bracket or picture of this run shows {seen} on the same wedge, so the steps resolved are out of {seen}."
    )
}

pub fn wedge_may_go_on(step: &usize, snr: &f64) -> String {
    format!(
        "Step {step}, the darkest that was found, has an SNR of {} per pixel: darker steps of the chart may have been missed in the noise, so that it may have more than {step}. Say how many there are with {} and {}.",
        decimal(*snr, 1),
        Setting::WedgeGrid,
        Setting::WedgeCorners
    )
}

pub fn wedge_end_unsure(steps: &usize, end: &WedgeEnd) -> String {
    format!(
        "The wedge was found with {steps} steps, which may not be all: {}. Say how many there are with {} and {}.",
        beyond(end),
        Setting::WedgeGrid,
        Setting::WedgeCorners
    )
}

pub fn wedge_grid_doubtful(steps_within: &usize, patches: &usize) -> String {
    format!(
        "In the middle of {steps_within} of the {patches} patches lies a step of the wedge: it has another number of patches, or other corners. No count of these steps can be relied on. Look at {} and {}.",
        Setting::WedgeGrid,
        Setting::WedgeCorners
    )
}

pub fn wedge_unusable(reason: &str, patch_px: &f64) -> String {
    format!(
        "The wedge cannot be measured: {reason} (patches of {} px).",
        decimal(*patch_px, 1)
    )
}

pub fn chart_limited(picture: &str) -> String {
    format!(
        "{picture} tells every step apart: its count is a lower bound, and a longer wedge might show more."
    )
}

pub fn steps_joined_in_rendering(
    picture: &str,
    told_apart: &usize,
    below_code: &[usize],
    below_lightness: &[usize],
) -> String {
    let list = |steps: &[usize]| match steps.is_empty() {
        true => "none".to_owned(),
        false => runs(&steps.iter().map(|s| s + 1).collect::<Vec<_>>()),
    };
    format!(
        "{picture}: of {told_apart} pairs of steps that the merge tells apart, less than one 8-bit code below the step \
         before: {}; less than one step of CIE lightness: {}.",
        list(below_code),
        list(below_lightness)
    )
}

pub fn range_beyond_wedge(snr: &f64, beyond_stops: &f64) -> String {
    format!(
        "The range at SNR {} reaches {} stops below the darkest step; there it leans on the fitted noise model.",
        decimal(*snr, 0),
        decimal(*beyond_stops, 2)
    )
}

pub fn wedge_doubtful(confidence: &f64, steps: &usize) -> String {
    format!(
        "Something like a wedge of {steps} steps was seen, confidence {} of 1: {}, and so not measured. It is outlined in the picture of the merge; if it is the wedge, give its corners with {} and {}.",
        decimal(*confidence, 2),
        why_not_measured(*confidence),
        Setting::WedgeCorners,
        Setting::WedgeGrid
    )
}

pub fn wedge_carried_on(steps: &usize, lighter: &usize, darker: &usize) -> String {
    let lighter = match lighter {
        0 => None,
        n => Some(format!("{n} clipped at the light end")),
    };
    let darker = match darker {
        0 => None,
        n => Some(format!(
            "{n} at the dark end, which the wedge is known to have"
        )),
    };
    let ends: Vec<String> = lighter.into_iter().chain(darker).collect();
    format!(
        "The grid of the wedge was carried on over steps that run together: {}; so it has {steps} steps.",
        ends.join(", and ")
    )
}

pub fn second_wedge(steps: &usize, column_px: &f64, row_px: &f64) -> String {
    format!(
        "Another wedge, of {steps} steps, is in view around column {}, row {}; it was not measured. To measure it, give its corners with {} and {}.",
        decimal(*column_px, 0),
        decimal(*row_px, 0),
        Setting::WedgeCorners,
        Setting::WedgeGrid
    )
}

pub fn wedge_file_other_size(
    file: &str,
    file_columns: &usize,
    file_rows: &usize,
    columns: &usize,
    rows: &usize,
) -> String {
    format!(
        "{file} was made for pictures of {file_columns} x {file_rows} pixels, these have {columns} x {rows}: its grid and densities were used, and the corners were looked for again."
    )
}

pub fn patches_small(side_px: &f64, guard_px: &f64, wanted_px: &f64) -> String {
    format!(
        "The smallest patch has a side of {} px: what is measured keeps {} px away from its edges, less than the {} px of a JPEG block, so that ringing may add to the noise.",
        decimal(*side_px, 0),
        decimal(*guard_px, 1),
        decimal(*wanted_px, 0)
    )
}

pub fn patch_textured(step: &usize, ratio: &f64) -> String {
    format!(
        "Step {step} is not even (slow variation {} times the noise): robust statistics were used.",
        decimal(*ratio, 1)
    )
}

pub fn figure_refused(figure: &str, reason: &str) -> String {
    format!("{figure} is not given: {reason}.")
}

/// Reason why a wedge candidate of this confidence was not measured.
pub(crate) fn why_not_measured(confidence: f64) -> &'static str {
    if confidence >= CONFIDENT {
        "of another size than was asked for"
    } else {
        "too doubtful"
    }
}

/// Reason why the wedge may continue at one end.
fn beyond(end: &WedgeEnd) -> String {
    let side = if end.lighter { "lightest" } else { "darkest" };
    match end.because {
        EndDoubt::FrameEdge => {
            format!("the frame ends so close to the {side} one that a further patch would be cut")
        }
        EndDoubt::LikeTheCard => format!(
            "beyond the {side} one the card is as light as a further step would be, so that such a step could not be seen"
        ),
        EndDoubt::LikeAStep => {
            format!("beyond the {side} one something flat is as light as a further step would be")
        }
    }
}
