//! The noise of a pixel as a function of exposure.
use serde::{Deserialize, Serialize};

/// Noise of one channel at the reference frame's sensitivity.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NoiseModel {
    /// Shot noise: variance per unit exposure. Equals 1 / full well in electrons if the frame clips at full well.
    pub shot: f64,
    /// Variance at zero exposure (read noise squared), unit exposure^2.
    pub read_variance: f64,
    /// Variance added after the response by rounding (1/12) and compression, in 8-bit codes squared.
    pub code_variance: f64,
}

impl NoiseModel {
    /// Assumed where nothing can be measured: full well 2000 electrons, read noise 10 electrons, code noise one code
    /// r.m.s.
    pub const ASSUMED: NoiseModel = NoiseModel {
        shot: 1.0 / 2000.0,
        read_variance: 2.5e-5,
        code_variance: 1.0,
    };

    /// Variance of one pixel at exposure `x`, unit exposure^2. `gain` is the frame's sensitivity relative to the
    /// reference frame's; `slope` is d exposure / d code there (8-bit codes).
    pub fn variance(&self, x: f64, gain: f64, slope: f64) -> f64 {
        self.shot * gain * x.max(0.0)
            + self.read_variance * gain.max(1.0).powi(2)
            + self.code_variance * slope * slope
    }

    /// Variance of rounding to whole codes of a file with `codes` of them, 8-bit codes squared: 1/12 of its own codes squared.
    pub fn rounding(codes: usize) -> f64 {
        (255.0 / (codes.max(2) - 1) as f64).powi(2) / 12.0
    }

    /// The same model with at least the variance of rounding to whole codes of a file with `codes` of them.
    pub fn with_rounding(self, codes: usize) -> Self {
        NoiseModel {
            code_variance: self.code_variance.max(Self::rounding(codes)),
            ..self
        }
    }

    /// True if the model has no noise but that of rounding to 8 bits: none was there to be measured, or all of it was taken away.
    /// Shot and read noise count as absent where both together, at the clip level, stay below the rounding of a linear 8-bit file.
    pub fn is_rounding_alone(&self) -> bool {
        let rounding = Self::rounding(256);
        let analogue = self.shot + self.read_variance;
        analogue < rounding / (255.0 * 255.0) && self.code_variance <= rounding
    }

    /// Shot noise, read variance, code variance.
    pub fn as_array(&self) -> [f64; 3] {
        [self.shot, self.read_variance, self.code_variance]
    }

    /// The inverse of [`Self::as_array`].
    pub fn from_array([shot, read_variance, code_variance]: [f64; 3]) -> Self {
        NoiseModel {
            shot,
            read_variance,
            code_variance,
        }
    }
}

/// Where a noise model comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NoiseSource {
    /// Fitted to differences between the frames of the bracket.
    Measured,
    /// Stated by the raw file, where too little could be measured.
    StatedByFile,
    /// Assumed, where too little could be measured and no file states it.
    Assumed,
}

/// Noise of all channels, and how it was found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Noise {
    /// One model a channel.
    pub channels: Vec<NoiseModel>,
    /// Number of groups of blocks (one pair of frames, one level) that the models were fitted to, over all channels.
    pub groups: usize,
    /// Where the models come from.
    pub source: NoiseSource,
}
