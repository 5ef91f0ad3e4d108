//! What known densities say: plain data, the same structs the report serialises.
use crate::units::Estimate;
use serde::{Deserialize, Serialize};

/// Known densities against the light measured on the steps.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Calibration {
    /// Steps that were good in at least one frame, and so went into the fit.
    pub steps: usize,
    /// Standard uncertainty of a density, root mean square over the steps, density.
    pub density_uncertainty: f64,
    /// True if that uncertainty was not stated but assumed.
    pub uncertainty_assumed: bool,
    /// Root mean square of what the fit leaves over, density.
    pub residual_density: f64,
    /// Sum of squared residuals over their variances, per degree of freedom; 1 where the uncertainties are right.
    pub reduced_chi_square: f64,
    /// The span of the exposures.
    pub exponent: Exponent,
    /// Veiling glare.
    pub glare: Glare,
    /// Fall-off of the light over the wedge.
    pub evenness: Evenness,
}

/// Log radiance as measured over log radiance as the densities say: pixels alone leave this exponent open (Grossberg and
/// Nayar 2003).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Exponent {
    /// The exponent, 1 where stated exposures and densities agree. Its standard uncertainty includes noise, densities and
    /// glare; it leaves out `light_uncertainty`.
    pub exponent: Estimate,
    /// Standard uncertainty from light whose evenness is not known, relative to the exponent.
    pub light_uncertainty: f64,
    /// Span of the bracket as it was used before, stops.
    pub span_before: f64,
    /// Span of the bracket by the densities, stops.
    pub span_by_wedge: f64,
    /// True if exposures, response and ranges were corrected by it.
    pub used: bool,
}

/// Uniform veiling glare in units of the light of density 0: `x = c (10^-D + share)`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Glare {
    /// Best value of the share, >= 0.
    pub share: f64,
    /// Half the width of the interval in which the fit worsens by less than one standard deviation.
    pub standard_uncertainty: f64,
    /// Lower end of the 95 % interval (profile of the fit).
    pub low95: f64,
    /// Upper end of the 95 % interval.
    pub high95: f64,
    /// Standard deviations by which no glare at all fits worse.
    pub sigma: f64,
    /// True from three of them.
    pub detected: bool,
    /// Stops between white and glare, `log2((1 + share) / share)`: no contrast beyond it reaches the sensor. `None` for a share
    /// of 0.
    pub ceiling_stops: Option<f64>,
    /// Range of the merge with and without the glare's light; empty where no noise model was fitted.
    pub ranges: Vec<GlareRange>,
}

/// The merge's range at one SNR, as light on the sensor and as light of the scene.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct GlareRange {
    /// SNR per pixel.
    pub snr: f64,
    /// Stops of light on the sensor, glare counted as signal: from clipping down to the SNR, or to the glare if that is more.
    pub before_stops: f64,
    /// Stops of scene light after the glare's mean was subtracted; its photon noise stays.
    pub after_stops: Option<f64>,
}

/// Fall-off of the light over the wedge.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Evenness {
    /// Where it was taken from.
    pub source: LightSource,
    /// Largest less smallest light over the steps, stops; `None` where it could not be told.
    pub fall_off_stops: Option<f64>,
    /// Root mean square that is left over after it was removed, density; `None` where it could not be told.
    pub residual_density: Option<f64>,
}

/// Where the fall-off of the light was taken from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LightSource {
    /// A frame of an even source.
    FlatField,
    /// Fitted together with the known densities.
    Densities,
    /// Not told apart: along this wedge density and fall-off change together.
    NotSeparable,
}
