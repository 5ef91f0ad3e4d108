//! Sentences on registration, motion and flicker.
use super::signed;
use crate::words::number::{decimal, percent};

pub fn displaced(
    frame: &str,
    columns: &f64,
    rows: &f64,
    degrees: &f64,
    residual_px: &f64,
) -> String {
    format!(
        "{frame} was aligned: shifted by {} columns and {} rows and rotated by {} degrees; residual {} px.",
        signed(*columns, 2),
        signed(*rows, 2),
        signed(*degrees, 3),
        decimal(*residual_px, 2)
    )
}

pub fn enlarged(frame: &str, scale: &f64) -> String {
    format!(
        "{frame} was scaled to match the reference frame (magnification {}, as after refocusing).",
        decimal(*scale, 4)
    )
}

pub fn placed_like_neighbour(frame: &str, neighbour: &str) -> String {
    format!(
        "{frame} has too little detail to be aligned on its own and was placed like {neighbour}, its neighbour in exposure. Its residual was not measured."
    )
}

pub fn aligned_by_little(frame: &str, areas: &usize, standard_uncertainty_px: &f64) -> String {
    format!(
        "{frame} could not be aligned to half a pixel: from {areas} areas that could be compared its position has a standard uncertainty of {} px. Fine detail may be soft.",
        decimal(*standard_uncertainty_px, 1)
    )
}

pub fn out_of_register(frame: &str, tiles: &usize, of_tiles: &usize, largest_px: &f64) -> String {
    format!(
        "{frame}: after alignment {tiles} of {of_tiles} areas are still more than 0.5 px off (up to {} px). Likely causes are parallax, rolling shutter or movement in the scene; use a tripod.",
        decimal(*largest_px, 1)
    )
}

pub fn registration_failed(frame: &str, reason: &str) -> String {
    format!("{frame} could not be aligned: {reason}.")
}

pub fn moved(share: &f64) -> String {
    format!(
        "Movement in {} of the pixels; frames that disagree with the reference were excluded there.",
        percent(*share)
    )
}

pub fn other_moment(share: &f64) -> String {
    format!(
        "Movement in {} of the pixels where the reference frame is clipped; another frame was used there, so the map shows that frame's moment.",
        percent(*share)
    )
}

pub fn banding(frame: &str, amplitude_percent: &f64, cycles: &f64, widened_stops: &f64) -> String {
    format!(
        "{frame}: flicker banding of ±{} % in {} cycles over the frame height, as from mains lamps or dimmed LEDs. It was not corrected; the exposure uncertainty was widened by {} stop. Use an exposure time that is a multiple of the lamp's period.",
        decimal(*amplitude_percent, 1),
        decimal(*cycles, 1),
        decimal(*widened_stops, 3)
    )
}
