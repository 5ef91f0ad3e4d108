//! Stops and densities.
use serde::{Deserialize, Serialize};

/// A ratio of light in powers of two. 1 stop is 0.30103 density or 6.0206 dB.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
pub struct Stops(pub f64);

/// Optical density, -log10 of transmittance or reflectance (ISO 5-1). 0 is clear or perfectly white.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
pub struct Density(pub f64);

impl Stops {
    /// Stops between two amounts of light: `log2(more / less)`. Not finite unless both are positive.
    pub fn between(less: f64, more: f64) -> Self {
        Stops((more / less).log2())
    }

    /// The ratio of light, `2^stops`.
    pub fn factor(self) -> f64 {
        self.0.exp2()
    }

    /// The same ratio as a density difference, `stops * log10(2)`.
    pub fn density(self) -> Density {
        Density(self.0 * std::f64::consts::LOG10_2)
    }

    /// The same ratio in decibels of amplitude, `20 log10`.
    pub fn decibel(self) -> f64 {
        self.0 * 20.0 * std::f64::consts::LOG10_2
    }
}

impl Density {
    /// Transmittance or reflectance, `10^-D`.
    pub fn transmittance(self) -> f64 {
        10f64.powf(-self.0)
    }

    /// The same ratio in stops, `D / log10(2)`.
    pub fn stops(self) -> Stops {
        Stops(self.0 / std::f64::consts::LOG10_2)
    }
}
