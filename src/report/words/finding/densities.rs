//! Sentences on the densities of the wedge and its illumination.
use super::signed;
use crate::words::number::{decimal, significant};
use stopspan_core::Setting;

pub fn densities_from_merge() -> String {
    format!(
        "The densities are not known; they were taken from the merge. So the span of the exposures rests on the metadata, veiling glare cannot be told from light, and uneven light stays in: what the wedge says of the exposures is the same thing twice. Give {} to change that.",
        Setting::WedgeDensities
    )
}

pub fn densities_disagree(rms: &f64) -> String {
    format!(
        "Stated and measured densities differ by {} D (root mean square): check the list and its order.",
        decimal(*rms, 3)
    )
}

pub fn uneven_light(fall_off_stops: &f64, residual_density: &f64) -> String {
    format!(
        "The light falls off by {} stops over the wedge; {} D remain after it was removed.",
        decimal(*fall_off_stops, 2),
        decimal(*residual_density, 3)
    )
}

pub fn density_uncertainty_assumed(density: &f64) -> String {
    format!(
        "The uncertainty of the densities is not stated; {} D was assumed (one standard uncertainty, common practice).",
        decimal(*density, 3)
    )
}

pub fn span_by_wedge(
    exponent: &f64,
    standard_uncertainty: &f64,
    span_before_stops: &f64,
    span_by_wedge_stops: &f64,
    used: &bool,
) -> String {
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

pub fn veiling_glare(
    share: &f64,
    low95: &f64,
    high95: &f64,
    sigma: &f64,
    ceiling_stops: &f64,
) -> String {
    format!(
        "Veiling glare of {} of white lies over the wedge (95 % interval {} to {}, {} standard deviations from none). It holds contrast to {} stops in every frame alike, so that merging cannot remove it (McCann and Rizzi 2007); subtracting it would not remove its photon noise.",
        hundredths(*share),
        hundredths(*low95),
        hundredths(*high95),
        significant(*sigma, 2),
        decimal(*ceiling_stops, 2)
    )
}

pub fn light_not_separable(density: &f64) -> String {
    format!(
        "Along this wedge density changes with place, so that uneven light cannot be told from it: {} D from end to end was allowed for in the uncertainty. A frame of an even source ({}) would tell.",
        decimal(*density, 2),
        Setting::FlatField
    )
}

pub fn densities_not_used(reason: &str) -> String {
    format!("The known densities were not held against the light: {reason}.")
}

pub fn light_evened(fall_off_stops: &f64) -> String {
    format!(
        "The light over the wedge differs by {} stops by the flat field; that was divided out.",
        decimal(*fall_off_stops, 2)
    )
}

/// Formats a share in hundredths of a per cent: "0.50 %".
fn hundredths(share: f64) -> String {
    format!("{} %", decimal(share * 100.0, 2))
}

pub fn light_assumed() -> String {
    format!(
        "No bracket of this camera and no densities are known, so linear light is assumed after IEC 61966-2-1 (sRGB). Steps are counted in that light; no stops are given. Known densities ({}) or a saved response ({}) give them.",
        Setting::WedgeDensities,
        Setting::Response
    )
}

pub fn clip_beyond_wedge(beyond_stops: &f64) -> String {
    format!(
        "The picture clips {} stops above the lightest step, too far to carry the measured curve on: the ranges are lower bounds. Expose until the lightest step just clips.",
        decimal(*beyond_stops, 1)
    )
}
