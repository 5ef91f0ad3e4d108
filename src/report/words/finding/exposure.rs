//! Sentences on exposures and their ratios.
use super::signed;
use crate::words::number::decimal;
use stopspan_core::Setting;

pub fn stated_exposure_false(
    frame: &str,
    stated_stops: &f64,
    measured_stops: &f64,
    standard_uncertainty_stops: &f64,
    used_measured: &bool,
) -> String {
    format!(
        "{frame}: stated as {} stops against the reference, measured as {} +/- {} (one standard uncertainty); the merge uses the {} one.",
        signed(*stated_stops, 2),
        signed(*measured_stops, 3),
        decimal(*standard_uncertainty_stops, 3),
        if *used_measured { "measured" } else { "stated" }
    )
}

pub fn span_from_metadata(span_stops: &f64, standard_uncertainty_stops: &f64) -> String {
    format!(
        "The span of the bracket, {} +/- {} stops, comes from the metadata: pixels alone cannot give it.",
        decimal(*span_stops, 2),
        decimal(*standard_uncertainty_stops, 2)
    )
}

pub fn span_unknown(assumed_span_stops: &f64) -> String {
    format!(
        "No exposure is known: order and steps come from the pixels, read as sRGB, which makes {} stops from the first frame to the last. Pixels cannot give this span; radiance is known up to an exponent, and every range in stops is relative and scales with it. Give {} FILE=SECONDS to change that.",
        decimal(*assumed_span_stops, 2),
        Setting::Exposure
    )
}

pub fn closure_fails(
    first: &str,
    second: &str,
    third: &str,
    closure_stops: &f64,
    standard_uncertainty_stops: &f64,
) -> String {
    format!(
        "The exposure ratios of {first}, {second} and {third} do not add up: {} stops are left over (standard uncertainty {}).",
        signed(*closure_stops, 3),
        decimal(*standard_uncertainty_stops, 3)
    )
}

pub fn balance_drift(
    frame: &str,
    red_stops: &f64,
    blue_stops: &f64,
    standard_uncertainty_stops: &f64,
) -> String {
    format!(
        "{frame}: the colour balance differs from the other frames': red {}, blue {} stops against green (standard uncertainty {}); the merge takes that out.",
        signed(*red_stops, 3),
        signed(*blue_stops, 3),
        decimal(*standard_uncertainty_stops, 3)
    )
}
