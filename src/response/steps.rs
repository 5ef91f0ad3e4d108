//! Decides which stated steps from frame to frame are true, and the scale on which the others are measured.
//!
//! Pixels give the steps of a bracket up to one common factor (Grossberg and Nayar 2003), so that a single step cannot be
//! compared with its statement. Together they can: the factor at which most of them agree with what is stated is right for
//! all, and a step that disagrees at that factor is false, whatever its neighbours are. If no factor has most of the steps
//! behind it, nothing is concluded and the stated span from the first to the last frame is kept.
use stopspan_core::statistics::robust::median;
use stopspan_core::units::Estimate;

/// Deviation at which a step disagrees, combined standard uncertainties: a bracket has many steps, and each must be proved false.
pub(super) const FALSE_AT: f64 = 4.0;
/// Share of the stated step below which a step counts as none: it is false at any factor.
const NO_STEP: f64 = 0.2;

/// A step from one frame to the next.
#[derive(Debug, Clone, Copy)]
pub(super) struct Step {
    /// As stated, stops.
    pub stated: Estimate,
    /// As measured, stops times an unknown factor common to all steps; `None` where the pixels do not show it.
    pub measured: Option<Estimate>,
}

/// What became of a step.
#[derive(Debug, Clone, Copy)]
pub(super) struct Settled {
    /// The step to use, stops.
    pub used: Estimate,
    /// The measured step if the stated one is false, stops.
    pub instead: Option<Estimate>,
}

/// The factor on the measured steps at which most of them agree with the stated ones; `None` if no factor has more than half
/// of the steps behind it. Steps of which the pixels show nothing are not counted.
pub(super) fn factor(steps: &[Step]) -> Option<f64> {
    let shown: Vec<&Step> = steps.iter().filter(|s| s.share() > NO_STEP).collect();
    let of = |step: &&Step| Some(step.stated.value / step.measured?.value);
    let behind = |factor: f64| -> Vec<&Step> {
        let agree = shown.iter().filter(|s| s.agrees(factor));
        agree.copied().collect()
    };
    let candidates = shown.iter().filter_map(of);
    let (mut best, mut most) = (Vec::new(), 0.0);
    for candidate in candidates {
        let steps = behind(candidate);
        let off = steps.iter().map(|s| s.off(candidate).abs()).sum::<f64>();
        let rank = steps.len() as f64 - off.min(0.9);
        if rank > most {
            (best, most) = (steps, rank);
        }
    }
    if best.len() < 2 || 2 * best.len() <= shown.len() {
        return None;
    }
    let sum = |value: fn(&Step) -> f64| best.iter().map(|s| value(s)).sum::<f64>();
    Some(sum(|s| s.stated.value) / sum(|s| s.measured.map_or(0.0, |m| m.value)))
}

/// The steps to use, with `factor` on the measured ones: stated and measured averaged where they agree, else as measured. The
/// steps that agree keep their stated sum.
pub(super) fn settle(steps: &[Step], factor: f64) -> Vec<Settled> {
    let typical = typical(steps, factor);
    let mut out: Vec<Settled> = steps.iter().map(|s| s.settle(factor, typical)).collect();
    let agreeing = || steps.iter().zip(&out).filter(|(_, s)| s.instead.is_none());
    let stated: f64 = agreeing().map(|(step, _)| step.stated.value).sum();
    let used: f64 = agreeing().map(|(_, settled)| settled.used.value).sum();
    if used > 0.0 {
        for settled in out.iter_mut().filter(|s| s.instead.is_none()) {
            settled.used.value *= stated / used;
        }
    }
    out
}

/// Robust standard deviation of the steps that agree from what is stated: no step is measured better than they are, stops.
fn typical(steps: &[Step], factor: f64) -> f64 {
    let agree = steps
        .iter()
        .filter(|s| s.measured.is_some() && s.agrees(factor));
    let off: Vec<f64> = agree.map(|s| s.off(factor).abs()).collect();
    1.4826 * median(&off).unwrap_or(0.0)
}

impl Step {
    /// Measured over stated step.
    fn share(&self) -> f64 {
        self.measured
            .map_or(0.0, |m| m.value / self.stated.value.max(1e-9))
    }

    /// Measured minus stated step, stops; 0 where it is not measured.
    fn off(&self, factor: f64) -> f64 {
        self.measured
            .map_or(0.0, |m| factor * m.value - self.stated.value)
    }

    /// Standard uncertainty of [`Self::off`], stops.
    fn doubt(&self, factor: f64) -> f64 {
        let measured = self.measured.map_or(0.0, |m| m.standard_uncertainty);
        self.stated.standard_uncertainty.hypot(factor * measured)
    }

    fn agrees(&self, factor: f64) -> bool {
        self.off(factor).abs() <= FALSE_AT * self.doubt(factor)
    }

    fn settle(&self, factor: f64, typical: f64) -> Settled {
        let Some(measured) = self.measured else {
            return Settled {
                used: self.stated,
                instead: None,
            };
        };
        let value = factor * measured.value;
        let uncertainty = (factor * measured.standard_uncertainty)
            .hypot(typical)
            .max(1e-4);
        let measured = Estimate::new(value, uncertainty);
        if !self.agrees(factor) && self.off(factor).abs() > FALSE_AT * uncertainty {
            return Settled {
                used: measured,
                instead: Some(measured),
            };
        }
        let stated = self.stated.standard_uncertainty.max(1e-4).powi(-2);
        let pixels = uncertainty.powi(-2);
        let mean = (stated * self.stated.value + pixels * value) / (stated + pixels);
        Settled {
            used: Estimate::new(mean, 1.0 / (stated + pixels).sqrt()),
            instead: None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn steps(stated: &[f64], measured: &[f64]) -> Vec<Step> {
        let pairs = stated.iter().zip(measured);
        pairs
            .map(|(&stated, &measured)| Step {
                stated: Estimate::new(stated, 0.02),
                measured: measured.is_finite().then(|| Estimate::new(measured, 0.02)),
            })
            .collect()
    }

    #[test]
    fn repeated_exposures_do_not_stretch_the_true_steps() {
        let steps = steps(&[1.0; 8], &[2.02, 1.98, 0.1, 0.0, -0.02, 0.01, 2.0, 2.01]);
        let factor = factor(&steps).unwrap();
        assert!((factor - 0.5).abs() < 0.01, "{factor}");
        let settled = settle(&steps, factor);
        for (i, step) in settled.iter().enumerate() {
            let is_false = (2..6).contains(&i);
            assert_eq!(step.instead.is_some(), is_false, "{i}");
            let true_step = if is_false { 0.0 } else { 1.0 };
            assert!((step.used.value - true_step).abs() < 0.06, "{i} {step:?}");
        }
    }

    #[test]
    fn one_false_step_of_three_is_told() {
        let steps = steps(&[1.0; 3], &[0.9, 0.9, 1.2]);
        let factor = factor(&steps).unwrap();
        let settled = settle(&steps, factor);
        let told: Vec<bool> = settled.iter().map(|s| s.instead.is_some()).collect();
        assert_eq!(told, [false, false, true]);
        assert!((settled[2].used.value - 4.0 / 3.0).abs() < 0.01);
    }

    #[test]
    fn two_steps_that_differ_tell_nothing() {
        assert!(factor(&steps(&[2.0, 2.0], &[1.8, 2.2])).is_none());
    }

    #[test]
    fn a_step_that_is_not_seen_is_as_stated() {
        let steps = steps(&[1.0; 4], &[f64::NAN, 1.0, 1.01, 0.99]);
        let settled = settle(&steps, factor(&steps).unwrap());
        assert!(settled[0].instead.is_none());
        assert!((settled[0].used.value - 1.0).abs() < 0.001);
    }
}
