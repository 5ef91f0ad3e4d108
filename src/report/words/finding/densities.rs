//! Sentences on the densities of the wedge and its illumination.
use super::signed;
use crate::words::number::{decimal, significant};
use stopspan_core::Setting;

pub fn densities_from_merge() -> String {
    format!(
        "Wedge densities unknown: they were measured in the map, so the wedge cannot check the exposures, veiling glare or uneven light independently. Give {} if you have them.",
        Setting::WedgeDensities
    )
}

pub fn densities_disagree(rms: &f64) -> String {
    format!(
        "Stated and measured densities differ by {} D (r.m.s.). Check the list and its order.",
        decimal(*rms, 3)
    )
}

pub fn uneven_light(fall_off_stops: &f64, residual_density: &f64) -> String {
    format!(
        "Uneven light: illumination varies by {} stops across the wedge; {} D remain after correction. Light the wedge more evenly.",
        decimal(*fall_off_stops, 2),
        decimal(*residual_density, 3)
    )
}

pub fn density_uncertainty_assumed(density: &f64) -> String {
    format!(
        "Density uncertainty not stated; {} D assumed (one standard uncertainty, common practice).",
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
        "Measured against the known densities, the exposure span is {} stops instead of {} ({} %, standard uncertainty {} %)",
        decimal(*span_by_wedge_stops, 3),
        decimal(*span_before_stops, 3),
        signed((1.0 / exponent - 1.0) * 100.0, 2),
        decimal(standard_uncertainty * 100.0, 2)
    );
    if *used {
        format!("{seen}. Exposures, response and ranges were corrected.")
    } else {
        format!("{seen}. Nothing was changed.")
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
        "Veiling glare of {} of white over the wedge (95 % interval {} to {}, {} standard deviations from none) limits contrast to {} stops in every frame; merging cannot remove it (McCann and Rizzi 2007).",
        hundredths(*share),
        hundredths(*low95),
        hundredths(*high95),
        significant(*sigma, 2),
        decimal(*ceiling_stops, 2)
    )
}

pub fn light_not_separable(density: &f64) -> String {
    format!(
        "Uneven light cannot be separated from density on this wedge; {} D from end to end was added to the uncertainty. A flat-field frame ({}) would resolve it.",
        decimal(*density, 2),
        Setting::FlatField
    )
}

pub fn densities_not_used(reason: &str) -> String {
    format!("The known densities were not used: {reason}.")
}

pub fn light_evened(fall_off_stops: &f64) -> String {
    format!(
        "Illumination across the wedge varies by {} stops according to the flat field, and was corrected.",
        decimal(*fall_off_stops, 2)
    )
}

/// Formats a share in hundredths of a per cent: "0.50 %".
fn hundredths(share: f64) -> String {
    format!("{} %", decimal(share * 100.0, 2))
}

pub fn light_assumed() -> String {
    format!(
        "No stops: without a bracket or known densities, linear light is assumed from IEC 61966-2-1 (sRGB). Give {} or a saved response ({}).",
        Setting::WedgeDensities,
        Setting::Response
    )
}

pub fn clip_beyond_wedge(beyond_stops: &f64) -> String {
    format!(
        "Ranges are lower bounds: the picture clips {} stops above the lightest step, beyond the measured curve. Expose so that the lightest step just clips.",
        decimal(*beyond_stops, 1)
    )
}
