//! Sentences on exposures and their ratios.
use super::signed;
use crate::words::number::decimal;
use stopspan_core::Setting;

/// Share of a stated step below which two frames show the same exposure.
const ALIKE: f64 = 0.2;

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

pub fn stated_step_false(
    first: &str,
    second: &str,
    stated_stops: &f64,
    measured_stops: &f64,
    standard_uncertainty_stops: &f64,
) -> String {
    let (stated, measured) = (signed(*stated_stops, 2), signed(*measured_stops, 3));
    let doubt = decimal(*standard_uncertainty_stops, 3);
    if measured_stops.abs() < ALIKE * stated_stops.abs() {
        return format!(
            "{first} and {second} show the same exposure: {measured} +/- {doubt} stops (one standard uncertainty) by their pixels, where {stated} are stated; the merge uses the measured step."
        );
    }
    format!(
        "From {first} to {second} {stated} stops are stated; by their pixels it is {measured} +/- {doubt} (one standard uncertainty), which the merge uses."
    )
}

pub fn span_beyond_curves(
    low_code: &f64,
    high_code: &f64,
    fitted_stops: &f64,
    known_stops: &f64,
    most_stops: &f64,
) -> String {
    format!(
        "The stated exposures put {} stops between codes {} and {}, where known response curves have {} on average and {} at most: the frames are less far apart than stated, and no figure in stops is given. The map's contrast is too large in the same proportion.",
        decimal(*fitted_stops, 1),
        decimal(*low_code, 0),
        decimal(*high_code, 0),
        decimal(*known_stops, 1),
        decimal(*most_stops, 1),
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
