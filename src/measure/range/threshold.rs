//! The darkest radiance at which the modelled SNR reaches a threshold.
use super::noise_model::Capture;
use stopspan_core::model::NoiseModel;

/// Depth of the search below the top, stops.
const DEEPEST: f64 = 40.0;
/// Step of the search, stops.
const STEP: f64 = 0.25;

/// Lower end of the unbroken range of radiances from the top down with an SNR of at least `snr`. `None` if no radiance
/// reaches it, or if the range does not end within 40 stops (no noise).
pub fn darkest(capture: &Capture, model: &NoiseModel, snr: f64) -> Option<f64> {
    darkest_by(capture.top(), |radiance| capture.snr(model, radiance), snr)
}

/// The same from the SNR at each radiance.
pub(crate) fn darkest_by(top: f64, snr_at: impl Fn(f64) -> f64, snr: f64) -> Option<f64> {
    let reaches = |stops: f64| snr_at(top * (-stops).exp2()) >= snr;
    let steps = (DEEPEST / STEP) as usize;
    let first = (0..steps).find(|&k| reaches(k as f64 * STEP + 1e-6))?;
    let last = (first + 1..steps).find(|&k| !reaches(k as f64 * STEP))?;
    let (mut low, mut high) = ((last - 1) as f64 * STEP, last as f64 * STEP);
    if last == first + 1 {
        low += 1e-6;
    }
    for _ in 0..40 {
        let middle = (low + high) / 2.0;
        if reaches(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    Some(top * (-low).exp2())
}

/// The same from a start near the answer, for resampling: damped steps in log radiance. SNR grows with a power of radiance
/// between 0.5 and 1, so a step of 1 / 0.75 reduces the distance at least threefold.
pub(crate) fn darkest_near(snr_at: impl Fn(f64) -> f64, snr: f64, start: f64) -> f64 {
    let mut log = start.ln();
    for _ in 0..10 {
        let now = snr_at(log.exp());
        let step = ((snr / now.max(1e-9)).ln() / 0.75).clamp(-2.0, 2.0);
        log += step;
        if step.abs() < 1e-4 {
            break;
        }
    }
    log.exp()
}
