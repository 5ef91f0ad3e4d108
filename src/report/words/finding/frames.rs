//! Sentences on single frames: tags, levels, colours, corrections, frames left out.
use super::signed;
use crate::words::number::{decimal, seconds, significant};

pub fn tag_unusable(frame: &str, tag: &str, value: &str) -> String {
    format!("{frame}: {tag} is {value}, which is impossible; it was ignored.")
}

pub fn tag_missing(frame: &str, tag: &str, used: &str) -> String {
    format!("{frame}: {tag} is missing; {used} was used.")
}

pub fn times_disagree(frame: &str, exposure_time_s: &f64, shutter_speed_value_s: &f64) -> String {
    format!(
        "{frame}: ExposureTime ({}) and ShutterSpeedValue ({}) differ by more than 1/6 EV.",
        seconds(*exposure_time_s),
        seconds(*shutter_speed_value_s)
    )
}

pub fn nominal_snapped(
    frame: &str,
    nominal_s: &f64,
    exact_s: &f64,
    difference_stops: &f64,
) -> String {
    format!(
        "{frame}: the marked time {} was read as the exact {} ({} stops).",
        seconds(*nominal_s),
        seconds(*exact_s),
        signed(*difference_stops, 3)
    )
}

pub fn setting_snapped(
    frame: &str,
    setting: &str,
    nominal: &f64,
    exact: &f64,
    difference_stops: &f64,
) -> String {
    format!(
        "{frame}: the marked {setting} {nominal} was read as the exact {exact:.4} ({} stops).",
        signed(*difference_stops, 3)
    )
}

pub fn black_level_wrong(plane: &usize, stated_codes: &f64, used_codes: &f64) -> String {
    format!(
        "The black level stated in the file ({}, {}) does not match the pixels; {} was used.",
        significant(*stated_codes, 5),
        site(*plane),
        significant(*used_codes, 5)
    )
}

pub fn white_level_wrong(plane: &usize, stated_codes: &f64, used_codes: &f64) -> String {
    format!(
        "The white level stated in the file ({}) does not match where {} saturates; {} was used as the clip level.",
        significant(*stated_codes, 5),
        site(*plane),
        significant(*used_codes, 5)
    )
}

pub fn corrections_not_made(frame: &str, names: &[String]) -> String {
    format!(
        "{frame}: these corrections requested by the raw file were not applied: {}. Lens shading and distortion remain in the samples.",
        names.join(", ")
    )
}

pub fn baseline_exposure(frame: &str, stops: &f64) -> String {
    format!(
        "{frame}: BaselineExposure asks for a rendering {} stops {}. Radiance and figures in stops do not include it.",
        decimal(stops.abs(), 2),
        if *stops < 0.0 { "darker" } else { "lighter" }
    )
}

pub fn colours_by_matrices(temperature_k: &f64) -> String {
    format!(
        "Colours were computed with the raw file's matrices for an illuminant of {} K.",
        decimal(*temperature_k, 0)
    )
}

pub fn colours_unknown(frame: &str, used: &str) -> String {
    format!("{frame}: the raw file does not state its colour matrices; {used}.")
}

pub fn dark_subtracted(frame: &str, dark: &str, same_time: &bool) -> String {
    format!(
        "Dark frame {dark} was subtracted from {frame}{}.",
        if *same_time {
            ""
        } else {
            ", although its exposure time differs"
        }
    )
}

pub fn demosaiced_first() -> String {
    "The raw frames are not aligned to the pixel, so each was demosaiced before merging. Noise is therefore smoothed and correlated between neighbouring pixels.".into()
}

pub fn frame_left_out(frame: &str, reason: &str) -> String {
    format!("{frame} was not used: {reason}.")
}

pub fn borders_left_out(frames: &usize, widest_px: &usize) -> String {
    format!(
        "Constant borders at the edges of {frames} frames (up to {widest_px} px) were excluded."
    )
}

pub fn camera_hdr_recognised(frame: &str, reason: &str) -> String {
    format!("{frame} was recognised as the camera's HDR picture: {reason}.")
}

pub fn single(frame: &str) -> String {
    format!("{frame} is a single shot, not part of a bracket.")
}

pub fn damaged_accepted(frame: &str) -> String {
    format!("{frame} is damaged and was used as requested; its figures may be wrong.")
}

pub fn profile_ignored(frame: &str, reason: &str) -> String {
    format!("{frame}: the colour profile was ignored: {reason}.")
}

/// Name of a plane of a mosaic, or of a channel.
fn site(plane: usize) -> &'static str {
    match plane {
        0 => "red (or the only channel)",
        1 => "green in red rows (or green)",
        2 => "green in blue rows (or blue)",
        _ => "blue",
    }
}
