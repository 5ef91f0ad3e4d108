//! Findings about the wedge, its densities and the light on it as plain sentences.
use super::finding::signed;
use super::gathered::runs;
use super::number::{decimal, significant};
use stopspan_core::Setting;
use stopspan_core::finding::{EndDoubt, Finding, WedgeEnd};
use stopspan_core::results::CONFIDENT;

pub(super) fn wedge(finding: &Finding) -> Option<String> {
    use Finding as F;
    Some(match finding {
        F::NoWedge { looked_for } => format!("No wedge was found; looked for {looked_for}."),
        F::WedgeFound { confidence, steps } => format!(
            "A wedge of {steps} steps was found by itself, confidence {} of 1.",
            decimal(*confidence, 2)
        ),
        F::WedgeMayGoOn { step, snr } => format!(
            "Step {step}, the darkest that was found, has an SNR of {} per pixel in the merge: darker steps of the chart may have been missed in the noise, so that {step} is the least number it has. Say how many there are with {} and {}.",
            decimal(*snr, 1),
            Setting::WedgeGrid,
            Setting::WedgeCorners
        ),
        F::WedgeEndUnsure { steps, end } => format!(
            "The wedge was found with {steps} steps, which may not be all: {}. Say how many there are with {} and {}.",
            beyond(end),
            Setting::WedgeGrid,
            Setting::WedgeCorners
        ),
        F::WedgeGridDoubtful {
            steps_within,
            patches,
        } => format!(
            "In the middle of {steps_within} of the {patches} patches lies a step of the wedge: it has another number of patches, or other corners. No count of these steps can be relied on. Look at {} and {}.",
            Setting::WedgeGrid,
            Setting::WedgeCorners
        ),
        F::WedgeUnusable { reason, patch_px } => format!(
            "The wedge cannot be measured: {reason} (patches of {} px).",
            decimal(*patch_px, 1)
        ),
        F::ChartLimited { picture } => format!(
            "{picture} tells every step apart: its count is a lower bound, and a longer wedge might show more."
        ),
        F::StepsJoinedInRendering {
            picture,
            told_apart,
            below_code,
            below_lightness,
        } => joined_in_rendering(picture, *told_apart, (below_code, below_lightness)),
        F::RangeBeyondWedge { snr, beyond_stops } => format!(
            "The range at SNR {} reaches {} stops below the darkest step; there it leans on the fitted noise model.",
            decimal(*snr, 0),
            decimal(*beyond_stops, 2)
        ),
        F::WedgeDoubtful { confidence, steps } => format!(
            "Something like a wedge of {steps} steps was seen, confidence {} of 1: {}, and so not measured. It is outlined in the picture of the merge; if it is the wedge, give its corners with {} and {}.",
            decimal(*confidence, 2),
            why_not_measured(*confidence),
            Setting::WedgeCorners,
            Setting::WedgeGrid
        ),
        F::WedgeFileOtherSize {
            file,
            file_columns,
            file_rows,
            columns,
            rows,
        } => format!(
            "{file} was made for pictures of {file_columns} x {file_rows} pixels, these have {columns} x {rows}: its grid and densities were used, and the corners were looked for again."
        ),
        F::PatchesSmall {
            side_px,
            guard_px,
            wanted_px,
        } => format!(
            "The smallest patch has a side of {} px: what is measured keeps {} px away from its edges, less than the {} px of a JPEG block, so that ringing may add to the noise.",
            decimal(*side_px, 0),
            decimal(*guard_px, 1),
            decimal(*wanted_px, 0)
        ),
        F::PatchTextured { step, ratio } => format!(
            "Step {step} is not even (slow variation {} times the noise): robust statistics were used.",
            decimal(*ratio, 1)
        ),
        F::FigureRefused { figure, reason } => format!("{figure} is not given: {reason}."),
        _ => return None,
    })
}

pub(super) fn densities(finding: &Finding) -> Option<String> {
    use Finding as F;
    Some(match finding {
        F::DensitiesFromMerge => format!(
            "The densities are not known; they were taken from the merge. So the span of the exposures rests on the metadata, veiling glare cannot be told from light, and uneven light stays in: what the wedge says of the exposures is the same thing twice. Give {} to change that.",
            Setting::WedgeDensities
        ),
        F::DensitiesDisagree { rms } => format!(
            "Stated and measured densities differ by {} D (root mean square): check the list and its order.",
            decimal(*rms, 3)
        ),
        F::UnevenLight {
            fall_off_stops,
            residual_density,
        } => format!(
            "The light falls off by {} stops over the wedge; {} D remain after it was removed.",
            decimal(*fall_off_stops, 2),
            decimal(*residual_density, 3)
        ),
        F::DensityUncertaintyAssumed { density } => format!(
            "The uncertainty of the densities is not stated; {} D was assumed (one standard uncertainty, common practice).",
            decimal(*density, 3)
        ),
        F::SpanByWedge {
            exponent,
            standard_uncertainty,
            span_before_stops,
            span_by_wedge_stops,
            used,
        } => {
            let seen = format!(
                "By the known densities the span of the bracket is {} stops, {} by what was used before ({} %, standard uncertainty {} %)",
                decimal(*span_by_wedge_stops, 3),
                decimal(*span_before_stops, 3),
                signed((1.0 / exponent - 1.0) * 100.0, 2),
                decimal(standard_uncertainty * 100.0, 2)
            );
            if *used {
                format!("{seen}: exposures, response and ranges were corrected by it.")
            } else {
                format!("{seen}: nothing was changed.")
            }
        }
        F::VeilingGlare {
            share,
            low95,
            high95,
            sigma,
            ceiling_stops,
        } => format!(
            "Veiling glare of {} of white lies over the wedge (95 % interval {} to {}, {} standard deviations from none). It holds contrast to {} stops in every frame alike, so that merging cannot remove it (McCann and Rizzi 2007); subtracting it would not remove its photon noise.",
            hundredths(*share),
            hundredths(*low95),
            hundredths(*high95),
            significant(*sigma, 2),
            decimal(*ceiling_stops, 2)
        ),
        F::LightNotSeparable { density } => format!(
            "Along this wedge density changes with place, so that uneven light cannot be told from it: {} D from end to end was allowed for in the uncertainty. A frame of an even source ({}) would tell.",
            decimal(*density, 2),
            Setting::FlatField
        ),
        F::LightEvened { fall_off_stops } => format!(
            "The light over the wedge differs by {} stops by the flat field; that was divided out.",
            decimal(*fall_off_stops, 2)
        ),
        F::DensitiesNotUsed { reason } => {
            format!("The known densities were not held against the light: {reason}.")
        }
        _ => return None,
    })
}

/// "0.50 %".
fn hundredths(share: f64) -> String {
    format!("{} %", decimal(share * 100.0, 2))
}

/// Why a candidate of this confidence was not measured.
pub(crate) fn why_not_measured(confidence: f64) -> &'static str {
    if confidence >= CONFIDENT {
        "of another size than was asked for"
    } else {
        "too doubtful"
    }
}

/// What lies beyond an end that is in doubt.
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

fn joined_in_rendering(
    picture: &str,
    told_apart: usize,
    (below_code, below_lightness): (&[usize], &[usize]),
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
