//! Sentences on single frames: tags, levels, colours, corrections, frames left out.
use super::signed;
use crate::words::number::{decimal, seconds, significant};

pub fn tag_unusable(frame: &str, tag: &str, value: &str) -> String {
    format!("{frame}: {tag} says {value}, which cannot be true; it was not used.")
}

pub fn tag_missing(frame: &str, tag: &str, used: &str) -> String {
    format!("{frame}: {tag} is missing; {used} was used instead.")
}

pub fn times_disagree(frame: &str, exposure_time_s: &f64, shutter_speed_value_s: &f64) -> String {
    format!(
        "{frame}: ExposureTime says {}, ShutterSpeedValue {}: more than 1/6 EV apart.",
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
        "{frame}: the marking {} stands for {} ({} stops); the exact time was used.",
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
        "{frame}: the marking {setting} {nominal} stands for {exact:.4} ({} stops); the exact value was used.",
        signed(*difference_stops, 3)
    )
}

pub fn black_level_wrong(plane: &usize, stated_codes: &f64, used_codes: &f64) -> String {
    format!(
        "The file's black level {} of {} is not where the pixels put it: {} was used.",
        significant(*stated_codes, 5),
        site(*plane),
        significant(*used_codes, 5)
    )
}

pub fn white_level_wrong(plane: &usize, stated_codes: &f64, used_codes: &f64) -> String {
    format!(
        "The file's white level {} is not where the samples of {} saturate: {} was used as the clip level.",
        significant(*stated_codes, 5),
        site(*plane),
        significant(*used_codes, 5)
    )
}

pub fn corrections_not_made(frame: &str, names: &[String]) -> String {
    format!(
        "{frame} asks for corrections that were not made: {}. Shading and distortion of the lens are still in the samples.",
        names.join(", ")
    )
}

pub fn baseline_exposure(frame: &str, stops: &f64) -> String {
    format!(
        "{frame} asks to be shown {} stops {} than the sensor took it (BaselineExposure). Radiance and stops are left as the sensor has them.",
        decimal(stops.abs(), 2),
        if *stops < 0.0 { "darker" } else { "lighter" }
    )
}

pub fn colours_by_matrices(temperature_k: &f64) -> String {
    format!(
        "The camera's colours are those of the raw file's matrices for light of {} K.",
        decimal(*temperature_k, 0)
    )
}

pub fn colours_unknown(frame: &str, used: &str) -> String {
    format!("{frame} does not say what the camera's colours are; {used}.")
}

pub fn dark_subtracted(frame: &str, dark: &str, same_time: &bool) -> String {
    format!(
        "The dark frame {dark} was subtracted from {frame}{}.",
        if *same_time {
            ""
        } else {
            ", which was exposed for another time"
        }
    )
}

pub fn demosaiced_first() -> String {
    "The raw frames are not in register to the pixel: each was demosaiced before merging, which smooths noise and makes single pixels depend on their neighbours.".into()
}

pub fn frame_left_out(frame: &str, reason: &str) -> String {
    format!("{frame} was left out: {reason}.")
}

pub fn borders_left_out(frames: &usize, widest_px: &usize) -> String {
    format!(
        "Constant borders along the edges of {frames} frames, up to {widest_px} px with the pixels mixed with them, are no light of the scene and were left out."
    )
}

pub fn camera_hdr_recognised(frame: &str, reason: &str) -> String {
    format!("{frame} was taken to be the camera's own HDR picture: {reason}.")
}

pub fn single(frame: &str) -> String {
    format!("{frame} belongs to no bracket.")
}

pub fn damaged_accepted(frame: &str) -> String {
    format!("{frame} is damaged and was used because that was asked for; its figures may be wrong.")
}

pub fn profile_ignored(frame: &str, reason: &str) -> String {
    format!("{frame}: the colour profile was not used: {reason}.")
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
