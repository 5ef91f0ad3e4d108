//! Settings of a rendering: an operator, and controls in stops and factors.
use serde::{Deserialize, Serialize};
use stopspan_core::model::ReferenceTones;
use stopspan_core::units::Primaries;

/// Mapping from scene radiance to display luminance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Operator {
    /// The default look: tones of the reference frame kept, the rest of the scene fitted in; local, with soft ends.
    #[default]
    DefaultLook,
    /// Global photographic curve (Reinhard, Stark, Shirley and Ferwerda 2002).
    Photographic,
    /// Global adaptive logarithm (Drago, Myszkowski, Annen and Chiba 2003).
    Logarithmic,
    /// Local: base and detail by a bilateral filter (Durand and Dorsey 2002).
    Bilateral,
}

/// Colour space of a rendering; both have the transfer function of IEC 61966-2-1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OutputColour {
    /// sRGB.
    #[default]
    Srgb,
    /// Display P3, with a wider gamut in red and green.
    DisplayP3,
}

impl OutputColour {
    /// Chromaticities of primaries and white.
    pub fn primaries(self) -> Primaries {
        match self {
            OutputColour::Srgb => Primaries::SRGB,
            OutputColour::DisplayP3 => Primaries::DISPLAY_P3,
        }
    }
}

/// An operator and its controls. Values that are not finite are replaced by the default, others clamped to the range
/// stated.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ToneSettings {
    /// The operator.
    pub operator: Operator,
    /// Exposure change of the scene before the curve, stops, -10..=10; larger is lighter. Default 0.
    pub exposure_stops: f64,
    /// Change of light tones, stops of scene light, -3..=3: begins one stop above mid grey and is complete at four.
    /// Preserves the order of tones. Default 0.
    pub highlights_stops: f64,
    /// Change of dark tones, stops of scene light, -3..=3: begins one stop below mid grey and is complete at five.
    /// Preserves the order of tones. Default 0.
    pub shadows_stops: f64,
    /// Change of texture contrast, log2 of a factor, -1..=1: 1 doubles what the operator gives. Texture is variation
    /// of less than a stop, coarser than about a thousandth of the picture. Only local operators
    /// ([`Operator::DefaultLook`], [`Operator::Bilateral`]) have it. Default 0.
    pub local_contrast_stops: f64,
    /// Saturation as a factor, 0..=2: 0 is grey, 1 shows colours as the reference frame's camera does at the same
    /// lightness. Default 1.
    pub saturation: f64,
    /// Colour space of the rendering. Default sRGB.
    pub output: OutputColour,
    /// Tones of the frame that the default look keeps to. Default none: mid grey is found from the scene alone.
    #[serde(skip)]
    pub reference: Option<ReferenceTones>,
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
            reference: None,
        }
    }
}

impl ToneSettings {
    /// Default settings with another operator.
    pub fn with(operator: Operator) -> Self {
        ToneSettings {
            operator,
            ..Default::default()
        }
    }

    /// The settings with all values finite and in the ranges stated.
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
            reference: self.reference.and_then(|t| {
                let tones = ReferenceTones::new(t.mid_stops, t.dark_stops)?;
                Some(tones.with_greys(t.greys))
            }),
        }
    }
}
