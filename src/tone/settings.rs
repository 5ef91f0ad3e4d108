//! What can be asked of a rendering: an operator and a few controls in stops and factors.
use serde::{Deserialize, Serialize};
use stopspan_core::units::Primaries;

/// How scene radiance becomes display luminance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Operator {
    /// Our own choice: the exposure the photographer set, tempered; soft shoulder and toe; gentle local compression.
    #[default]
    DefaultLook,
    /// Global photographic curve (Reinhard, Stark, Shirley and Ferwerda 2002).
    Photographic,
    /// Global adaptive logarithm (Drago, Myszkowski, Annen and Chiba 2003).
    Logarithmic,
    /// Local: base and detail by a bilateral filter (Durand and Dorsey 2002).
    Bilateral,
}

/// The colour space of a rendering; both have the transfer curve of IEC 61966-2-1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OutputColour {
    /// sRGB.
    #[default]
    Srgb,
    /// Display P3, of wider gamut in red and green.
    DisplayP3,
}

impl OutputColour {
    /// Primaries and white.
    pub fn primaries(self) -> Primaries {
        match self {
            OutputColour::Srgb => Primaries::SRGB,
            OutputColour::DisplayP3 => Primaries::DISPLAY_P3,
        }
    }
}

/// An operator with its controls. Values that are not finite count as the default; the rest is clamped to the range
/// stated.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ToneSettings {
    /// The operator.
    pub operator: Operator,
    /// Scene exposure change before the operator's curve, stops, -10..=10; larger is lighter. Default 0.
    pub exposure_stops: f64,
    /// Change of the light tones (from one stop above mid grey, in full from four), stops of scene light, -3..=3.
    /// Default 0. Never reverses the order of tones.
    pub highlights_stops: f64,
    /// Change of the dark tones (from one stop below mid grey, in full from five), stops of scene light, -3..=3.
    /// Default 0. Never reverses the order of tones.
    pub shadows_stops: f64,
    /// Contrast of texture of less than a stop, coarser than about a thousandth of the picture: log2 of a factor on
    /// what the operator gives it, -1..=1, so 1 is twice the contrast. Default 0. Only the local operators ([`Operator::DefaultLook`], [`Operator::Bilateral`]) heed it.
    pub local_contrast_stops: f64,
    /// Colourfulness relative to the scene's own, 0..=2: 0 is grey, 1 keeps the ratios of the channels. Default 1.
    pub saturation: f64,
    /// Colour space of the rendering. Default sRGB.
    pub output: OutputColour,
}

impl Default for ToneSettings {
    fn default() -> Self {
        ToneSettings {
            operator: Operator::default(),
            exposure_stops: 0.0,
            highlights_stops: 0.0,
            shadows_stops: 0.0,
            local_contrast_stops: 0.0,
            saturation: 1.0,
            output: OutputColour::default(),
        }
    }
}

impl ToneSettings {
    /// The default settings with another operator.
    pub fn with(operator: Operator) -> Self {
        ToneSettings {
            operator,
            ..Default::default()
        }
    }

    /// Finite and within the stated ranges.
    pub(super) fn clamped(&self) -> Self {
        let tame = |value: f64, usual: f64, low: f64, high: f64| {
            if value.is_finite() {
                value.clamp(low, high)
            } else {
                usual
            }
        };
        ToneSettings {
            operator: self.operator,
            exposure_stops: tame(self.exposure_stops, 0.0, -10.0, 10.0),
            highlights_stops: tame(self.highlights_stops, 0.0, -3.0, 3.0),
            shadows_stops: tame(self.shadows_stops, 0.0, -3.0, 3.0),
            local_contrast_stops: tame(self.local_contrast_stops, 0.0, -1.0, 1.0),
            saturation: tame(self.saturation, 1.0, 0.0, 2.0),
            output: self.output,
        }
    }
}
