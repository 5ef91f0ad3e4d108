//! The noise of a pixel as a function of exposure.
use serde::{Deserialize, Serialize};

/// Noise of one channel at the reference frame's sensitivity.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NoiseModel {
    /// Variance per unit exposure (1 / full well in electrons where the frame clips at full well).
    pub shot: f64,
    /// Variance at zero exposure, exposure^2.
    pub read_variance: f64,
    /// Variance in 8-bit codes^2 added after the response: rounding (1/12) and compression.
    pub code_variance: f64,
}

impl NoiseModel {
    /// Assumed where nothing can be measured: 2000 electrons, 10 electrons read noise, one code r.m.s.
    pub const ASSUMED: NoiseModel = NoiseModel {
        shot: 1.0 / 2000.0,
        read_variance: 2.5e-5,
        code_variance: 1.0,
    };

    /// Variance of one pixel at exposure `x` (exposure^2). `gain` is sensitivity relative to the reference frame,
    /// `slope` d exposure / d code (8-bit codes) there.
    pub fn variance(&self, x: f64, gain: f64, slope: f64) -> f64 {
        self.shot * gain * x.max(0.0)
            + self.read_variance * gain.max(1.0).powi(2)
            + self.code_variance * slope * slope
    }

    /// Shot noise, read variance and code variance.
    pub fn as_array(&self) -> [f64; 3] {
        [self.shot, self.read_variance, self.code_variance]
    }

    /// The model of shot noise, read variance and code variance.
    pub fn from_array([shot, read_variance, code_variance]: [f64; 3]) -> Self {
        NoiseModel {
            shot,
            read_variance,
            code_variance,
        }
    }
}

/// Noise of all channels, and how it was found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Noise {
    /// One model a channel.
    pub channels: Vec<NoiseModel>,
    /// Groups of blocks (pair and level) the models were fitted to, all channels.
    pub groups: usize,
    /// True if too little could be measured and a conservative model was assumed.
    pub assumed: bool,
}
