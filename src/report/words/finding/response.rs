//! Sentences on the response curve and the noise.
use crate::words::number::{decimal, significant};

pub fn response_thin(what: &str, number: &f64, wanted: &f64) -> String {
    format!(
        "The response curve is poorly supported: {what} is {}, and {} is needed. Frames 2 EV apart, of a scene with light and dark surfaces, support it better.",
        significant(*number, 3),
        significant(*wanted, 3)
    )
}

pub fn taken_as_linear(evidence: &str) -> String {
    format!("Frames treated as linear: {evidence}.")
}

pub fn black_offset(
    channel: &usize,
    offset_codes: &f64,
    standard_uncertainty_codes: &f64,
) -> String {
    format!(
        "Channel {}: black is at code {} of 255 (standard uncertainty {}), estimated from the exposure series, and was subtracted.",
        channel + 1,
        decimal(*offset_codes, 1),
        decimal(*standard_uncertainty_codes, 1)
    )
}

pub fn noise_compression_limited(code_noise: &f64, quantisation_bound: &f64) -> String {
    format!(
        "JPEG compression may have removed noise: {} codes measured, quantisation error up to {} codes. Per-pixel figures may be too good.",
        decimal(*code_noise, 2),
        decimal(*quantisation_bound, 2)
    )
}

pub fn noise_smoothed(ratio: &f64) -> String {
    format!(
        "Compression smoothed the noise of single pixels: means of 8 x 8 pixels vary {} times as much as for independent pixels. Area figures use those means.",
        decimal(*ratio, 2)
    )
}

pub fn noise_profile_differs(shot_ratio: &f64, dark_ratio: &f64) -> String {
    format!(
        "The noise stated in the raw file does not match its pixels: shot-noise variance {} times, dark noise {} times the stated value. The measured noise was used.",
        decimal(*shot_ratio, 2),
        decimal(*dark_ratio, 2)
    )
}

pub fn noise_as_stated() -> String {
    "Noise could not be measured (too few pixels are usable in two frames, or the frames are not aligned); the noise stated in the raw file was used.".into()
}

pub fn levels_flattered(noise: &usize, block: &usize) -> String {
    format!(
        "Compression hides noise: {noise} steps by pixel noise, {block} by means of 8 x 8 pixels. Use the lower count."
    )
}

pub fn noise_assumed(samples: &usize, wanted: &usize) -> String {
    format!(
        "Noise could not be measured ({samples} samples, {wanted} wanted); a conservative noise model was assumed."
    )
}
