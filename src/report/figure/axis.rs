//! Axes of charts: range, linear or logarithmic scale, ticks.
use super::super::words::decimal;

/// Linear or logarithmic mapping of values to positions.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Scale {
    /// Equal differences have equal lengths.
    Linear,
    /// Equal ratios have equal lengths; values must be positive.
    Log,
}

/// One axis: the range of values it shows, and its scale.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Axis {
    /// Quantity and unit, as printed.
    pub label: &'static str,
    /// Linear or logarithmic mapping of values to positions.
    pub scale: Scale,
    /// Smallest value shown, > 0 on a logarithmic axis.
    pub low: f64,
    /// Largest value shown; > `low`.
    pub high: f64,
}

impl Axis {
    /// Returns a linear axis around the finite values, its ends rounded outwards to whole tick steps; `None` without a finite value.
    pub fn linear(label: &'static str, values: impl Iterator<Item = f64>) -> Option<Self> {
        let (low, high) = ends(values)?;
        let step = step(high - low);
        Some(Axis {
            label,
            scale: Scale::Linear,
            low: (low / step + 1e-9).floor() * step,
            high: (high / step - 1e-9)
                .ceil()
                .max((low / step + 1e-9).floor() + 1.0)
                * step,
        })
    }

    /// Returns a logarithmic axis around the positive values, its ends rounded outwards to 1, 2 or 5 times a power of ten; `None`
    /// without a positive value.
    pub fn log(label: &'static str, values: impl Iterator<Item = f64>) -> Option<Self> {
        let (low, high) = ends(values.filter(|v| *v > 0.0))?;
        let below = marks(low.log10().floor() as i32).filter(|m| *m <= low * 1.000_001);
        let above = marks(high.log10().floor() as i32).filter(|m| *m >= high * 0.999_999);
        let low = below.fold(f64::NAN, f64::max);
        let high = above.fold(f64::NAN, f64::min);
        (low < high).then_some(Axis {
            label,
            scale: Scale::Log,
            low,
            high,
        })
    }

    /// Position of a value along the axis: 0 at `low`, 1 at `high`. Not finite for a value without a position, such as 0 on a
    /// logarithmic axis.
    pub fn share(&self, value: f64) -> f64 {
        match self.scale {
            Scale::Linear => (value - self.low) / (self.high - self.low),
            Scale::Log => (value / self.low).ln() / (self.high / self.low).ln(),
        }
    }

    /// Tick values from `low` to `high`, each with its text.
    pub fn ticks(&self) -> Vec<(f64, String)> {
        match self.scale {
            Scale::Linear => {
                let step = step(self.high - self.low);
                let digits = (-step.log10().floor()).max(0.0) as usize;
                let first = (self.low / step - 1e-9).ceil() as i64;
                let last = (self.high / step + 1e-9).floor() as i64;
                (first..=last)
                    .map(|i| (i as f64 * step, minus(&decimal(i as f64 * step, digits))))
                    .collect()
            }
            Scale::Log => {
                let decade = self.low.log10().floor() as i32;
                let decades = (self.high / self.low).log10();
                marks(decade)
                    .filter(|m| *m >= self.low * 0.999 && *m <= self.high * 1.001)
                    .filter(|m| decades < 2.5 || (m.log10() - m.log10().round()).abs() < 1e-9)
                    .map(|m| (m, decimal(m, (-m.log10().floor()).max(0.0) as usize)))
                    .collect()
            }
        }
    }
}

/// Replaces hyphens by the typographic minus sign.
pub(crate) fn minus(text: &str) -> String {
    text.replace('-', "\u{2212}")
}

fn ends(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    let finite = values.filter(|v| v.is_finite());
    let (low, high) = finite.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
        (low.min(v), high.max(v))
    });
    (low <= high).then_some((low, high))
}

/// Tick step for a span: 1, 2 or 5 times a power of ten, for about six steps.
fn step(span: f64) -> f64 {
    let rough = if span > 0.0 { span / 6.0 } else { 1.0 };
    let decade = 10f64.powf(rough.log10().floor());
    let times = rough / decade;
    let nice = match times {
        t if t < 1.5 => 1.0,
        t if t < 3.5 => 2.0,
        t if t < 7.5 => 5.0,
        _ => 10.0,
    };
    nice * decade
}

/// 1, 2 and 5 times powers of ten, over ten decades from 10^`decade`.
fn marks(decade: i32) -> impl Iterator<Item = f64> {
    (decade..decade + 10).flat_map(|d| [1.0, 2.0, 5.0].map(|m| m * 10f64.powi(d)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_linear_axis_ends_on_whole_steps_and_ticks_them() {
        let axis = Axis::linear("density", [0.05, 3.05].into_iter()).unwrap();
        assert_eq!((axis.low, axis.high), (0.0, 3.5));
        let ticks = axis.ticks();
        assert_eq!(ticks.len(), 8);
        assert_eq!(ticks[1], (0.5, "0.5".to_owned()));
        assert_eq!(axis.share(1.75), 0.5);
        let axis = Axis::linear("code", [0.0, 250.0].into_iter()).unwrap();
        assert_eq!((axis.low, axis.high), (0.0, 250.0));
    }

    #[test]
    fn one_value_still_makes_an_axis() {
        let axis = Axis::linear("code", [7.0].into_iter()).unwrap();
        assert!(axis.low <= 7.0 && axis.high > axis.low);
        let axis = Axis::log("SNR", [10.0].into_iter());
        assert!(axis.is_none_or(|a| a.high > a.low));
        assert!(Axis::linear("code", [f64::NAN].into_iter()).is_none());
    }

    #[test]
    fn a_log_axis_puts_equal_ratios_at_equal_lengths() {
        let axis = Axis::log("SNR", [0.3, 150.0].into_iter()).unwrap();
        assert_eq!((axis.low, axis.high), (0.2, 200.0));
        let third = axis.share(2.0) - axis.share(0.2);
        assert!((third - (axis.share(20.0) - axis.share(2.0))).abs() < 1e-12);
        let text: Vec<String> = axis.ticks().into_iter().map(|t| t.1).collect();
        assert_eq!(text, ["1", "10", "100"]);
    }

    #[test]
    fn negative_ticks_carry_a_minus_sign() {
        let axis = Axis::linear("stops", [-10.0, 0.0].into_iter()).unwrap();
        assert_eq!(axis.ticks()[0].1, "\u{2212}10");
    }
}
