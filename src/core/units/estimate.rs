//! A number with its standard uncertainty.
use serde::{Deserialize, Serialize};

/// A value with its standard uncertainty (one sigma), both in the unit that the field's documentation states.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// The value.
    pub value: f64,
    /// One standard uncertainty, >= 0.
    pub standard_uncertainty: f64,
}

impl Estimate {
    /// A value with its standard uncertainty.
    pub fn new(value: f64, standard_uncertainty: f64) -> Self {
        Self {
            value,
            standard_uncertainty,
        }
    }

    /// The normal 95 % interval, `value -/+ 1.959964 u`.
    pub fn interval95(&self) -> (f64, f64) {
        const Z: f64 = 1.959_963_984_540_054;
        (
            self.value - Z * self.standard_uncertainty,
            self.value + Z * self.standard_uncertainty,
        )
    }
}
