//! Sentences on the response curve and the noise.
use crate::words::number::{decimal, significant};

pub fn response_thin(what: &str, number: &f64, wanted: &f64) -> String {
    format!(
        "The response curve leans on little data: {what} is {}, {} is wanted.",
        significant(*number, 3),
        significant(*wanted, 3)
    )
}

pub fn taken_as_linear(evidence: &str) -> String {
    format!("The frames were taken to be linear: {evidence}.")
}

pub fn black_offset(
    channel: &usize,
    offset_codes: &f64,
    standard_uncertainty_codes: &f64,
) -> String {
    format!(
        "Channel {}: no light lies at {} codes of 255 (standard uncertainty {}), as levels at different exposures show; that was subtracted.",
        channel + 1,
        decimal(*offset_codes, 1),
        decimal(*standard_uncertainty_codes, 1)
    )
}

pub fn noise_compression_limited(code_noise: &f64, quantisation_bound: &f64) -> String {
    format!(
        "Noise of {} codes lies below what compression may remove ({} codes): the sensor's noise is hidden, and per-pixel figures may flatter the picture.",
        decimal(*code_noise, 2),
        decimal(*quantisation_bound, 2)
    )
}

pub fn noise_smoothed(ratio: &f64) -> String {
    format!(
        "Compression has smoothed the noise of single pixels: means of 8 x 8 pixels vary {} times as much as independent pixels would. Figures per area use those means.",
        decimal(*ratio, 2)
    )
}

pub fn noise_profile_differs(shot_ratio: &f64, dark_ratio: &f64) -> String {
    format!(
        "The noise that the raw file states is not what its pixels show: shot noise (variance) is {} times, noise in the dark {} times as large as stated. The pixels were believed.",
        decimal(*shot_ratio, 2),
        decimal(*dark_ratio, 2)
    )
}

pub fn noise_as_stated() -> String {
    "The frames give no noise model of their own (too few pixels are good in two of them at once, or the frames lie out of register); the one that the raw file states was used.".into()
}

pub fn levels_flattered(noise: &usize, block: &usize) -> String {
    format!(
        "Compression hides noise: {noise} steps are told apart by the noise of the file's pixels, {block} by the noise of means of 8 x 8 pixels, which compression spares. The second is nearer to what the camera saw before it compressed."
    )
}

pub fn noise_assumed(samples: &usize, wanted: &usize) -> String {
    format!(
        "Too little data for a noise model ({samples} samples, {wanted} wanted): a cautious one was assumed."
    )
}
