//! Usable range of a known linear sensor, alone or bracketed, in closed form: signal L over noise sqrt(L + v).

/// Stops between the clip of the shortest exposure and the radiance whose merged SNR is `snr`.
///
/// `full_well` and `read_variance` (read noise and quantisation together) are in electrons and electrons squared,
/// `exposures` relative to the nominal one, at least one, all > 0. The merge weights by inverse variance:
/// `L sqrt(sum t^2 / (L t + v)) = snr`. One exposure gives `L = (s^2 + s sqrt(s^2 + 4 v)) / 2`, as in EMVA 1288 for s = 1.
/// `None` where no radiance below the clip reaches that SNR, or an argument makes no sense.
pub fn closed_form(full_well: f64, read_variance: f64, exposures: &[f64], snr: f64) -> Option<f64> {
    let shortest = exposures.iter().copied().fold(f64::INFINITY, f64::min);
    let sensible = full_well > 0.0 && read_variance >= 0.0 && snr > 0.0 && shortest > 0.0;
    if exposures.is_empty() || !sensible {
        return None;
    }
    let top = full_well / shortest;
    let reached = |l: f64| {
        let information: f64 = exposures
            .iter()
            .filter(|&&t| l * t <= full_well)
            .map(|t| t * t / (l * t + read_variance))
            .sum();
        l * information.sqrt() >= snr
    };
    if !reached(top) {
        return None;
    }
    let (mut low, mut high) = (-200.0, top.log2());
    for _ in 0..80 {
        let middle = (low + high) / 2.0;
        if reached(middle.exp2()) {
            high = middle;
        } else {
            low = middle;
        }
    }
    Some(top.log2() - high)
}

/// Stops that a bracket gains over its nominal exposure (relative exposure 1) alone: more than the spread of exposures,
/// because dark pixels also average. Arguments and `None` as in [`closed_form`].
pub fn predicted_gain(
    full_well: f64,
    read_variance: f64,
    exposures: &[f64],
    snr: f64,
) -> Option<f64> {
    let single = closed_form(full_well, read_variance, &[1.0], snr)?;
    Some(closed_form(full_well, read_variance, exposures, snr)? - single)
}
