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
        "A {steps}-step wedge was detected automatically (confidence {} of 1).",
        decimal(*confidence, 2)
    )
}

pub fn wedge_seen_further(steps: &usize, seen: &usize) -> String {
    format!(
        "{steps} steps were found here, {seen} in another picture of the same wedge; counts are out of {seen}."
    )
}

pub fn wedge_may_go_on(step: &usize, snr: &f64) -> String {
    format!(
        "The wedge may have more than {step} steps: step {step} has an SNR of only {} per pixel, so darker steps may be lost in noise. State the number of steps with {} and {}.",
        decimal(*snr, 1),
        Setting::WedgeGrid,
        Setting::WedgeCorners
    )
}

pub fn wedge_end_unsure(steps: &usize, end: &WedgeEnd) -> String {
    format!(
        "The wedge may have more than the {steps} steps found: {}. State the number with {} and {}.",
        beyond(end),
        Setting::WedgeGrid,
        Setting::WedgeCorners
    )
}

pub fn wedge_grid_doubtful(steps_within: &usize, patches: &usize) -> String {
    format!(
        "The given grid does not fit: {steps_within} of {patches} patches contain an edge between steps, so the counts are unreliable. Check {} and {}.",
        Setting::WedgeGrid,
        Setting::WedgeCorners
    )
}

pub fn wedge_order_doubtful(picture: &str, reversals: &usize, pairs: &usize) -> String {
    format!(
        "{picture}: {reversals} of {pairs} pairs of neighbouring steps get lighter where they should get darker, so the counts are \
         unreliable. Check the order of the steps ({}) and {}.",
        Setting::WedgeDarkFirst,
        Setting::WedgeCorners
    )
}

pub fn wedge_steps_repeated(picture: &str, same: &usize, pairs: &usize) -> String {
    format!(
        "{picture}: {same} of {pairs} pairs of neighbouring patches have the same level although others differ. Either the picture\u{2019}s tone \
         mapping flattens these steps, or the grid does not fit and the counts are wrong: check {} and {}.",
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
    format!("{picture} resolves every step; a longer wedge might show more.")
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
        "{picture}: of the {told_apart} step pairs that the merge resolves, less than one 8-bit code apart: {}; less than one unit of L* apart: {}.",
        list(below_code),
        list(below_lightness)
    )
}

pub fn range_beyond_wedge(snr: &f64, beyond_stops: &f64) -> String {
    format!(
        "Dynamic range at SNR {} extends {} stops below the darkest step; that part is extrapolated from the noise model.",
        decimal(*snr, 0),
        decimal(*beyond_stops, 2)
    )
}

pub fn wedge_doubtful(confidence: &f64, steps: &usize) -> String {
    format!(
        "A possible {steps}-step wedge was not measured (confidence {} of 1: {}). It is outlined in the report; if it is the wedge, give {} and {}.",
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
        n => Some(format!("{n} at the dark end, known from another picture")),
    };
    let ends: Vec<String> = lighter.into_iter().chain(darker).collect();
    format!(
        "The wedge has {steps} steps, counting some that run together: {}.",
        ends.join(", and ")
    )
}

pub fn wedge_placed_by(picture: &str) -> String {
    format!(
        "The wedge could not be found in this picture by itself; it was measured where {picture} of the same camera shows it."
    )
}

pub fn second_wedge(steps: &usize, column_px: &f64, row_px: &f64) -> String {
    format!(
        "A second wedge ({steps} steps, near column {}, row {}) was not measured. To measure it, give {} and {}.",
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
        "{file} was made for {file_columns} x {file_rows} pixels, these pictures have {columns} x {rows}. Its grid and densities were used; the corners were searched again."
    )
}

pub fn patches_small(side_px: &f64, guard_px: &f64, wanted_px: &f64) -> String {
    format!(
        "Small patches ({} px): only {} px are kept clear of the edges, less than a JPEG block ({} px), so ringing may add noise. Move closer to the wedge.",
        decimal(*side_px, 0),
        decimal(*guard_px, 1),
        decimal(*wanted_px, 0)
    )
}

pub fn patch_textured(step: &usize, ratio: &f64) -> String {
    format!(
        "Step {step} is unevenly lit or textured (variation {} times the noise); medians were used.",
        decimal(*ratio, 1)
    )
}

pub fn figure_refused(figure: &str, reason: &str) -> String {
    format!("No {figure}: {reason}.")
}

/// Reason why a wedge candidate of this confidence was not measured.
pub(crate) fn why_not_measured(confidence: f64) -> &'static str {
    if confidence >= CONFIDENT {
        "not the size asked for"
    } else {
        "too doubtful"
    }
}

/// Reason why the wedge may continue at one end.
fn beyond(end: &WedgeEnd) -> String {
    let side = if end.lighter { "lightest" } else { "darkest" };
    match end.because {
        EndDoubt::FrameEdge => {
            format!("the frame ends right after the {side} one")
        }
        EndDoubt::LikeTheCard => {
            format!("the card beyond the {side} one is as light as a further step would be")
        }
        EndDoubt::LikeAStep => {
            format!("a flat area beyond the {side} one is as light as a further step would be")
        }
    }
}
