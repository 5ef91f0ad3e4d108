//! The response curve: encoded level -> relative exposure.
use serde::{Deserialize, Serialize};

/// How a response was obtained.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ResponseMethod {
    /// Block means, smooth in log exposure around a generalised gamma curve (the default).
    SmoothTable,
    /// Least squares with curvature penalty (Debevec and Malik 1997).
    LeastSquaresTable,
    /// Alternating maximum likelihood (Robertson, Borman and Stevenson 1999).
    Alternating,
    /// Polynomial (Mitsunaga and Nayar 1999).
    Polynomial,
    /// Not fitted: the frames are linear.
    Linear,
    /// Not fitted: taken as sRGB (IEC 61966-2-1).
    Srgb,
}

/// Response of one channel: exposure as a table over equally spaced levels, interpolated linearly.
///
/// Exposure is relative: 1.0 just reaches green's clip level. The table is strictly increasing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ResponseCurve {
    /// Exposure at level `i / (len - 1)`. At least two entries, strictly increasing; the first is >= 0 for fitted
    /// curves.
    pub exposure: Vec<f64>,
    /// Standard uncertainty of log2 exposure at each entry, stops. Includes noise of the fit and the freedom that the
    /// smoothness prior leaves; excludes the span of the bracket (the exponent), which is common to all entries.
    pub uncertainty_stops: Vec<f64>,
    /// Levels at or above this (fraction of full scale) count as clipped.
    pub clip_level: f64,
    /// Levels at or below this count as crushed to black.
    pub floor_level: f64,
    /// Lowest and highest level supported by data; beyond them the curve is extrapolated.
    pub supported: (f64, f64),
}

impl ResponseCurve {
    /// A linear response of `entries` (>= 2) table entries that clips at `clip_level`.
    pub fn linear(entries: usize, clip_level: f64) -> Self {
        let last = (entries - 1) as f64;
        ResponseCurve {
            exposure: (0..entries).map(|i| i as f64 / last / clip_level).collect(),
            uncertainty_stops: vec![0.0; entries],
            clip_level,
            floor_level: 0.0,
            supported: (0.0, clip_level),
        }
    }

    fn locate(&self, level: f64) -> (usize, f64) {
        let last = self.exposure.len() - 1;
        let position = level * last as f64;
        let index = (position.floor().max(0.0) as usize).min(last - 1);
        (index, position - index as f64)
    }

    /// Relative exposure at a level (fraction of full scale), extrapolated linearly outside 0..=1.
    pub fn exposure_at(&self, level: f64) -> f64 {
        let (i, t) = self.locate(level);
        self.exposure[i] + t * (self.exposure[i + 1] - self.exposure[i])
    }

    /// d exposure / d level at a level, > 0: central difference of the neighbouring entries, per unit level.
    pub fn slope_at(&self, level: f64) -> f64 {
        let last = self.exposure.len() - 1;
        let centre = (level * last as f64).round().clamp(0.0, last as f64) as usize;
        let (low, high) = (centre.saturating_sub(1), (centre + 1).min(last));
        (self.exposure[high] - self.exposure[low]) * last as f64 / (high - low) as f64
    }

    /// Level at which an exposure is encoded, clamped to 0..=1.
    pub fn level_of(&self, exposure: f64) -> f64 {
        let last = self.exposure.len() - 1;
        let upper = self.exposure.partition_point(|&e| e < exposure);
        if upper == 0 {
            return 0.0;
        }
        if upper > last {
            return 1.0;
        }
        let (a, b) = (self.exposure[upper - 1], self.exposure[upper]);
        (upper as f64 - 1.0 + (exposure - a) / (b - a)) / last as f64
    }

    /// Standard uncertainty of log2 exposure at a level, stops.
    pub fn uncertainty_at(&self, level: f64) -> f64 {
        let (i, t) = self.locate(level.clamp(0.0, 1.0));
        self.uncertainty_stops[i] + t * (self.uncertainty_stops[i + 1] - self.uncertainty_stops[i])
    }
}

/// Response of all channels, and how well it fits the bracket.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Response {
    /// How it was obtained.
    pub method: ResponseMethod,
    /// One curve a channel: 1 (mono) or 3 (R, G, B).
    pub curves: Vec<ResponseCurve>,
    /// Root mean square residual of the fit, stops; 0 if not fitted.
    pub residual_stops: f64,
    /// Number of samples (block means) fitted, over all channels.
    pub samples: usize,
}
