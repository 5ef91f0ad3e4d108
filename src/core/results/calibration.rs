//! Calibration against known densities: plain data, as serialised in the report.
use crate::units::Estimate;
use serde::{Deserialize, Serialize};

/// Result of fitting the light measured on the steps to known densities.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Calibration {
    /// Steps in the fit: those usable in at least one frame.
    pub steps: usize,
    /// Standard uncertainty of one density, root mean square over the steps, density.
    pub density_uncertainty: f64,
    /// True if that uncertainty was not stated but assumed.
    pub uncertainty_assumed: bool,
    /// Root mean square residual of the fit, density.
    pub residual_density: f64,
    /// Sum of squared residuals over their variances, per degree of freedom; 1 where the uncertainties are right.
    pub reduced_chi_square: f64,
    /// Scale of log exposure.
    pub exponent: Exponent,
    /// Veiling glare.
    pub glare: Glare,
    /// Fall-off of the light over the wedge.
    pub evenness: Evenness,
}

/// Slope of measured log radiance against log radiance by the densities. The pixels alone leave this exponent undetermined
/// (Grossberg and Nayar 2003).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Exponent {
    /// The exponent; 1 where stated exposures and densities agree. Its standard uncertainty includes noise, densities and
    /// glare, and excludes `light_uncertainty`.
    pub exponent: Estimate,
    /// Standard uncertainty caused by illumination of unknown evenness, relative to the exponent.
    pub light_uncertainty: f64,
    /// Exposure span of the bracket before calibration, stops.
    pub span_before: f64,
    /// Exposure span of the bracket by the densities, stops.
    pub span_by_wedge: f64,
    /// True if exposures, response and ranges were corrected by the exponent.
    pub used: bool,
}

/// Uniform veiling glare relative to the light at density 0: `x = c (10^-D + share)`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Glare {
    /// Best-fitting share, >= 0.
    pub share: f64,
    /// Half the width of the interval in which the profiled misfit rises by less than one standard deviation.
    pub standard_uncertainty: f64,
    /// Lower end of the 95 % interval (profile likelihood).
    pub low95: f64,
    /// Upper end of the 95 % interval.
    pub high95: f64,
    /// Significance of the glare, standard deviations: how much worse the fit is without glare.
    pub sigma: f64,
    /// True if `sigma` is at least 3.
    pub detected: bool,
    /// Stops between white and glare, `log2((1 + share) / share)`: the largest contrast that reaches the sensor. `None` for
    /// a share of 0.
    pub ceiling_stops: Option<f64>,
    /// Range of the merge before and after subtraction of the glare; empty without a fitted noise model.
    pub ranges: Vec<GlareRange>,
}

/// Range of the merge at one SNR, in light on the sensor and in light of the scene.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct GlareRange {
    /// SNR per pixel.
    pub snr: f64,
    /// Stops of light on the sensor, glare counted as signal: from clipping down to the SNR or to the glare level,
    /// whichever is higher.
    pub before_stops: f64,
    /// Stops of scene light after subtraction of the mean glare; the glare's photon noise remains.
    pub after_stops: Option<f64>,
}

/// Fall-off of the illumination over the wedge.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Evenness {
    /// Source of the fall-off.
    pub source: LightSource,
    /// Largest minus smallest illumination over the steps, stops; `None` where it could not be determined.
    pub fall_off_stops: Option<f64>,
    /// Root mean square residual after removal of the fall-off, density; `None` where it could not be determined.
    pub residual_density: Option<f64>,
}

/// Source of the illumination fall-off.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LightSource {
    /// A flat-field frame.
    FlatField,
    /// Fitted together with the known densities.
    Densities,
    /// Not separable: density and fall-off vary together along this wedge.
    NotSeparable,
}
