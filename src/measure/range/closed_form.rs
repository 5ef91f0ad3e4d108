//! Usable range of a known linear sensor, alone or bracketed, in closed form: signal L over noise sqrt(L + v).

/// Stops from the clip level of the shortest exposure down to the radiance with merged SNR `snr`.
///
/// `full_well` is in electrons, `read_variance` (read noise and quantisation together) in electrons squared; `exposures`
/// are relative to the nominal one, at least one, all > 0. The merge weights by inverse variance:
/// `L sqrt(sum t^2 / (L t + v)) = snr`. One exposure gives `L = (s^2 + s sqrt(s^2 + 4 v)) / 2`, as in EMVA 1288 for s = 1.
/// `None` if no radiance below the clip level reaches that SNR, or if an argument is out of range.
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

/// Range that a bracket gains over its nominal exposure (relative exposure 1) alone, stops: more than the exposure span,
/// because averaging reduces noise in the dark. Arguments and `None` as in [`closed_form`].
pub fn predicted_gain(
    full_well: f64,
    read_variance: f64,
    exposures: &[f64],
    snr: f64,
) -> Option<f64> {
    let single = closed_form(full_well, read_variance, &[1.0], snr)?;
    Some(closed_form(full_well, read_variance, exposures, snr)? - single)
}
