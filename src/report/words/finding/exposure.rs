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
        "{frame}: exposure relative to the reference frame is stated as {} stops and measured as {} ± {} (one standard uncertainty). The merge uses the {} value.",
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
            "{first} and {second} have the same exposure: {measured} ± {doubt} stops measured (one standard uncertainty), {stated} stated. The merge uses the measured step. Check whether the camera applied the exposure change."
        );
    }
    format!(
        "From {first} to {second} the exposure changes by {measured} ± {doubt} stops (one standard uncertainty), not by the {stated} stated. The merge uses the measured step."
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
        "No figures in stops: the stated exposures imply {} stops between codes {} and {}, but measured camera response curves span {} on average and {} at most. The real exposure steps are smaller than stated, and the map's contrast is too high by the same factor. Give the true exposures with {} FILE=SECONDS.",
        decimal(*fitted_stops, 1),
        decimal(*low_code, 0),
        decimal(*high_code, 0),
        decimal(*known_stops, 1),
        decimal(*most_stops, 1),
        Setting::Exposure,
    )
}

pub fn span_from_metadata(span_stops: &f64, standard_uncertainty_stops: &f64) -> String {
    format!(
        "The exposure span of {} ± {} stops is taken from the metadata; it cannot be measured from the pixels alone.",
        decimal(*span_stops, 2),
        decimal(*standard_uncertainty_stops, 2)
    )
}

pub fn span_unknown(assumed_span_stops: &f64) -> String {
    format!(
        "No exposure metadata: the order and steps of the frames were estimated from the pixels, assuming sRGB ({} stops in all). The true span is unknown, so every figure in stops scales with it. Give the exposures with {} FILE=SECONDS. If the pictures are of several cameras, give each camera a folder of its own.",
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
        "Exposure ratios measured between {first}, {second} and {third} are inconsistent: closure error {} stops (standard uncertainty {}).",
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
        "{frame}: white balance differs from the other frames: red {}, blue {} stops relative to green (standard uncertainty {}). The merge corrects it. Fix the white balance when shooting brackets.",
        signed(*red_stops, 3),
        signed(*blue_stops, 3),
        decimal(*standard_uncertainty_stops, 3)
    )
}
