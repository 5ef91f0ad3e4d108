//! The darkest radiance at which the modelled SNR reaches a threshold.
use super::noise_model::Capture;
use stopspan_core::model::NoiseModel;

/// Depth of the search below the top, stops.
const DEEPEST: f64 = 40.0;
/// Step of the search, stops.
const STEP: f64 = 0.25;
/// Steps below the top within which the range must begin: next to clipping, a curve's shoulder may hide what it reaches below.
const SHOULDER: usize = 2;
/// Halvings of a step, to some 1e-5 stop.
const HALVINGS: usize = 14;

/// Lower end of the unbroken range of radiances from the top down with an SNR of at least `snr`. `None` if it is not reached within
/// half a stop of the top, whatever lies below (a merge where only its shortest frame is not clipped may have less than one
/// stop further down), or if the range does not end within 40 stops (no noise).
pub fn darkest(capture: &Capture, model: &NoiseModel, snr: f64) -> Option<f64> {
    darkest_by(capture.top(), |radiance| capture.snr(model, radiance), snr)
}

/// The same from the SNR at each radiance.
pub(crate) fn darkest_by(top: f64, snr_at: impl Fn(f64) -> f64, snr: f64) -> Option<f64> {
    let reaches = |stops: f64| snr_at(top * (-stops).exp2()) >= snr;
    let steps = (DEEPEST / STEP) as usize;
    let first = (0..=SHOULDER).find(|&k| reaches(k as f64 * STEP + 1e-6))?;
    let last = (first + 1..steps).find(|&k| !reaches(k as f64 * STEP))?;
    let (mut low, mut high) = ((last - 1) as f64 * STEP, last as f64 * STEP);
    if last == first + 1 {
        low += 1e-6;
    }
    for _ in 0..HALVINGS {
        let middle = (low + high) / 2.0;
        if reaches(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    Some(top * (-low).exp2())
}

/// Factor on a threshold within which resampling moves it, by and large.
const MARGIN: f64 = 1.5;
/// Stops of light over which SNR changes by that factor where it grows with a power of radiance of 0.5 or more.
const APART: f64 = 1.25;

/// The crossing of an SNR with a threshold, to be found again in resampling where both differ a little.
pub(crate) struct Crossing {
    top: f64,
    dark: f64,
    /// True if SNR leaves the threshold behind at once on both sides, and keeps clear of it up to the top.
    steep: bool,
}

impl Crossing {
    /// The crossing at `dark`, as [`darkest_by`] finds it for `snr`.
    pub fn at(dark: f64, top: f64, snr_at: impl Fn(f64) -> f64, snr: f64) -> Self {
        let brighter = dark * APART.exp2();
        let steps = ((top / brighter).log2() / STEP).max(0.0) as usize;
        let clear = |k: usize| snr_at(brighter * (k as f64 * STEP).exp2()) >= MARGIN * snr;
        let below = snr_at(dark * (-APART).exp2()) * MARGIN <= snr;
        Crossing {
            top,
            dark,
            steep: brighter <= top && below && (0..=steps).all(clear),
        }
    }

    /// The same crossing of another SNR with another threshold: the darkest radiance of the unbroken range, or the top where no
    /// radiance reaches the threshold.
    pub fn again(&self, snr_at: impl Fn(f64) -> f64, snr: f64) -> f64 {
        if self.steep {
            return darkest_near(snr_at, snr, self.dark);
        }
        darkest_by(self.top, snr_at, snr).unwrap_or(self.top)
    }
}

/// The crossing from a start near it where SNR is steep: damped steps in log radiance. SNR grows with a power of radiance
/// between 0.5 and 1, so a step of 1 / 0.75 reduces the distance at least threefold.
fn darkest_near(snr_at: impl Fn(f64) -> f64, snr: f64, start: f64) -> f64 {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::subject::Source;
    use stopspan_core::model::ResponseCurve;

    /// Compares the crossing of SNR 10 as found again at other thresholds with pairs of threshold and radiance.
    fn finds(top: f64, snr_at: impl Fn(f64) -> f64, steep: bool, known: &[(f64, f64)]) {
        let dark = darkest_by(top, &snr_at, 10.0).unwrap();
        let crossing = Crossing::at(dark, top, &snr_at, 10.0);
        assert_eq!(crossing.steep, steep);
        for &(snr, wanted) in known {
            let found = crossing.again(&snr_at, snr);
            let apart = (found / wanted).log2().abs();
            assert!(apart < 1e-3, "{snr}: {found}, not {wanted}");
        }
    }

    #[test]
    fn photon_noise_is_steep() {
        let at = |snr: f64| (snr, (snr / 80.0).powi(2));
        let snr_at = |radiance: f64| 80.0 * radiance.sqrt();
        finds(1.0, snr_at, true, &[8.0, 10.0, 12.0, 14.0].map(at));
    }

    #[test]
    fn a_ratio_that_stays_near_the_threshold_may_never_reach_it() {
        // 12 down to a radiance of 1/16, then as radiance to the power 0.75.
        let snr_at = |radiance: f64| 12.0 * (16.0 * radiance).min(1.0).powf(0.75);
        let at = |snr: f64| (snr, (snr / 12.0).powf(4.0 / 3.0) / 16.0);
        finds(1.0, snr_at, false, &[8.0, 10.0, 11.9].map(at));
        finds(1.0, snr_at, false, &[(12.1, 1.0), (15.0, 1.0)]);
    }

    #[test]
    fn a_shoulder_hides_nothing_and_a_band_without_the_ratio_is_not_skipped() {
        // Photon noise of 80 at the top, a third of it within 0.3 stop of the top, or within 1 stop.
        let below = |stops: f64| {
            move |l: f64| 80.0 * l.sqrt() / if l > (-stops).exp2() { 3.0 } else { 1.0 }
        };
        let found = darkest_by(1.0, below(0.3), 40.0).unwrap();
        assert!((found - 0.25).abs() < 1e-4, "{found}");
        assert_eq!(darkest_by(1.0, below(1.0), 40.0), None);
    }

    #[test]
    fn the_unbroken_range_of_a_merge_may_end_where_its_longer_frame_clips() {
        // Photon noise of exposures 1 and 4: squared SNR is radiance over the noise times 1 above 1/4 of the top, times 5 below.
        // Above, it falls to 11.
        let sources = [1.0, 4.0].map(|t| Source::new(ResponseCurve::linear(4096, 1.0), t));
        let capture = Capture::of(&sources).unwrap();
        let model = NoiseModel {
            shot: 0.25 / 121.0,
            read_variance: 0.0,
            code_variance: 0.0,
        };
        let at = |exposures: f64| move |snr: f64| (snr, model.shot * snr * snr / exposures);
        let snr_at = |radiance: f64| capture.snr(&model, radiance);
        let top = capture.top();
        finds(top, snr_at, false, &[8.0, 10.0, 10.9].map(at(5.0)));
        finds(top, snr_at, false, &[11.1, 15.0, 21.0].map(at(1.0)));
        // The top has 22; just below 1/4 of it are 22 sqrt(5/4) = 24.6, which is no range that begins at the top.
        finds(top, snr_at, false, &[(22.1, top), (23.0, top), (30.0, top)]);
    }
}
