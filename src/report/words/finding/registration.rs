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
        "{frame} was displaced by {} columns and {} rows and turned by {} degrees; {} px remain after registration.",
        signed(*columns, 2),
        signed(*rows, 2),
        signed(*degrees, 3),
        decimal(*residual_px, 2)
    )
}

pub fn enlarged(frame: &str, scale: &f64) -> String {
    format!(
        "{frame} shows the scene {} times as large as the reference frame does, as after a change of focus; that was taken out.",
        decimal(*scale, 4)
    )
}

pub fn placed_like_neighbour(frame: &str, neighbour: &str) -> String {
    format!(
        "{frame} shows too little to be registered by itself: it was placed like {neighbour}, its neighbour in exposure, because the other frames lie still and nothing in it contradicts that. How far it is off was not measured."
    )
}

pub fn out_of_register(frame: &str, tiles: &usize, of_tiles: &usize, largest_px: &f64) -> String {
    format!(
        "{frame}: {tiles} of {of_tiles} places lie more than half a pixel off after registration, {} px at most: things near and far moved against each other (parallax), rows were read one after another while the camera moved, or things moved by themselves.",
        decimal(*largest_px, 1)
    )
}

pub fn registration_failed(frame: &str, reason: &str) -> String {
    format!("{frame} could not be brought into register: {reason}.")
}

pub fn moved(share: &f64) -> String {
    format!(
        "Something moved in {} of the pixels; frames were left out there.",
        percent(*share)
    )
}

pub fn other_moment(share: &f64) -> String {
    format!(
        "In {} of the pixels something moved where the reference frame is clipped: another frame's light stands there, so that the map shows that frame's moment.",
        percent(*share)
    )
}

pub fn banding(frame: &str, amplitude_percent: &f64, cycles: &f64, widened_stops: &f64) -> String {
    format!(
        "{frame}: against the reference frame the light ripples down the rows by {} % up and down, in {} cycles over the frame, as under lamps on the mains or dimmed LEDs. It was not taken out; the frame's exposure was taken to be known {} stop less well. A time that is a whole number of the lamp's periods avoids it.",
        decimal(*amplitude_percent, 1),
        decimal(*cycles, 1),
        decimal(*widened_stops, 3)
    )
}
