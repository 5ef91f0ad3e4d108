//! Response curves of the simulated camera: relative exposure 0..=1 to level 0..=1.
use serde::{Deserialize, Serialize};
use stopspan_core::Error;
use stopspan_core::units::srgb_level;

/// A named camera response. Every curve is monotone and maps 0 to 0 and 1 to 1.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(tag = "name", rename_all = "kebab-case", deny_unknown_fields)]
pub enum CameraCurve {
    /// IEC 61966-2-1.
    #[default]
    Srgb,
    /// A power law: level = exposure^(1 / exponent).
    Gamma {
        /// The exponent, 0.2..=5; 1.8 if left out.
        #[serde(default = "gamma_exponent")]
        exponent: f64,
    },
    /// IEC 61966-2-1 followed by an S-curve: `(1 - amount) y + amount (3 y^2 - 2 y^3)`.
    Contrast {
        /// Weight of the S-curve, 0..=0.95; 0.4 if left out.
        #[serde(default = "contrast_amount")]
        amount: f64,
    },
    /// A long shoulder, logarithmic: `ln(1 + k x) / ln(1 + k)`.
    Shoulder {
        /// k, 0.1..=1000; 30 if left out.
        #[serde(default = "shoulder_strength")]
        strength: f64,
    },
    /// Level = exposure.
    Linear,
    /// Levels at equally spaced exposures from 0 to 1, linearly interpolated.
    Table {
        /// At least two levels, from 0 to 1, not decreasing.
        levels: Vec<f64>,
    },
}

fn gamma_exponent() -> f64 {
    1.8
}

fn contrast_amount() -> f64 {
    0.4
}

fn shoulder_strength() -> f64 {
    30.0
}

impl CameraCurve {
    /// Level (0..=1) of a relative exposure, which is first clamped to 0..=1.
    pub fn level(&self, exposure: f64) -> f64 {
        let x = exposure.clamp(0.0, 1.0);
        match self {
            CameraCurve::Srgb => srgb_level(x),
            CameraCurve::Gamma { exponent } => libm::pow(x, 1.0 / exponent),
            CameraCurve::Contrast { amount } => {
                let y = srgb_level(x);
                (1.0 - amount) * y + amount * y * y * (3.0 - 2.0 * y)
            }
            CameraCurve::Shoulder { strength } => {
                libm::log1p(strength * x) / libm::log1p(*strength)
            }
            CameraCurve::Linear => x,
            CameraCurve::Table { levels } => interpolate(levels, x),
        }
    }

    /// Slope of level against exposure at `exposure`, by central difference (one-sided at the ends).
    pub fn slope(&self, exposure: f64) -> f64 {
        let step = 1e-5;
        let (low, high) = ((exposure - step).max(0.0), (exposure + step).min(1.0));
        (self.level(high) - self.level(low)) / (high - low)
    }

    /// Checks the parameters.
    ///
    /// # Errors
    /// [`Error::Scenario`] for a parameter out of range, with the name of the field.
    pub fn check(&self) -> Result<(), Error> {
        let within = |value: f64, low: f64, high: f64, what: &str| {
            if (low..=high).contains(&value) {
                Ok(())
            } else {
                let problem = format!("{what} is {value}, not within {low}..={high}");
                Err(Error::scenario("sensor.response", problem))
            }
        };
        match self {
            CameraCurve::Gamma { exponent } => within(*exponent, 0.2, 5.0, "exponent"),
            CameraCurve::Contrast { amount } => within(*amount, 0.0, 0.95, "amount"),
            CameraCurve::Shoulder { strength } => within(*strength, 0.1, 1000.0, "strength"),
            CameraCurve::Table { levels } => {
                let rises = levels.windows(2).all(|w| w[0] <= w[1]);
                let ends = levels.first() == Some(&0.0) && levels.last() == Some(&1.0);
                if levels.len() >= 2 && rises && ends {
                    Ok(())
                } else {
                    let problem =
                        "a table needs two or more levels that start at 0, never fall and end at 1";
                    Err(Error::scenario("sensor.response", problem))
                }
            }
            CameraCurve::Srgb | CameraCurve::Linear => Ok(()),
        }
    }
}

fn interpolate(levels: &[f64], x: f64) -> f64 {
    let position = x * (levels.len().saturating_sub(1)) as f64;
    let index = position.floor() as usize;
    let at = |i: usize| levels.get(i).or(levels.last()).copied().unwrap_or(x);
    at(index) + (at(index + 1) - at(index)) * (position - index as f64)
}
