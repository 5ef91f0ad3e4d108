//! An operator made ready for one scene: its local gain, its curve, and the same for a display with headroom.
use super::colour::Mixing;
use super::curve::Curve;
use super::gain::{Gain, quantiles};
use super::headroom::Extended;
use super::scene::Scene;
use super::settings::{Operator, ToneSettings};
use super::{bilateral, default_look, logarithmic, photographic};
use ndarray::Array2;
use stopspan_core::model::RadianceMap;
use stopspan_core::units::Primaries;

/// Contrast of the global operators' extension above their mid grey.
const PLAIN: f64 = 1.0;

/// An operator for a scene, as functions of log2 luminance.
pub(super) struct Look {
    settings: ToneSettings,
    pub mixing: Mixing,
    pub gain: Option<Gain>,
    /// What counts as mid grey for the controls, log2 luminance.
    mid: f64,
    /// Log2 luminance (after the gain) -> display luminance 0..=1.
    operator: Box<dyn Fn(f64) -> f64 + Send + Sync>,
    /// Slope of the extension for displays with headroom.
    contrast: f64,
    /// Log2 luminance after the gain that little of the scene exceeds.
    top: f64,
}

impl Look {
    /// Surveys the map and prepares the operator. `primaries` are those of the rendering; radiance is in standard layout.
    pub fn of(map: &RadianceMap, settings: &ToneSettings, primaries: Primaries) -> Self {
        let mixing = Mixing::new(map.primaries, primaries);
        let scene = Scene::survey(map.radiance.view(), mixing.weights);
        let global = |operator: Box<dyn Fn(f64) -> f64 + Send + Sync>| Look {
            settings: *settings,
            mixing,
            gain: None,
            mid: scene.mean_log(),
            operator,
            contrast: PLAIN,
            top: scene.top_log(),
        };
        let detail = settings.local_contrast_stops.exp2();
        match settings.operator {
            Operator::Photographic => global(Box::new(photographic::operator(&scene))),
            Operator::Logarithmic => global(Box::new(logarithmic::operator(&scene))),
            Operator::Bilateral => {
                let (gain, filtered) = filtered(&scene, detail, bilateral::contrast);
                Look {
                    gain: Some(gain),
                    top: top(&filtered),
                    ..global(Box::new(bilateral::operator(&filtered)))
                }
            }
            Operator::DefaultLook => {
                let contrast = |_: &Array2<f32>| default_look::BASE_CONTRAST;
                let detail = default_look::TEXTURE_CONTRAST * detail;
                let (gain, filtered) = filtered(&scene, detail, contrast);
                let mid = default_look::mid_log(&filtered);
                Look {
                    gain: Some(gain),
                    mid,
                    contrast: default_look::BRIGHT_CONTRAST,
                    top: top(&filtered),
                    ..global(Box::new(default_look::operator(&filtered, mid)))
                }
            }
        }
    }

    /// The curve for a display whose lightest light is its white.
    pub fn curve(&self) -> Curve {
        Curve::new(&self.settings, self.mid, 1.0, &self.operator)
    }

    /// The curve for a display that reaches `peak` times its reference white.
    pub fn extended(&self, peak: f64) -> Curve {
        let top = self.top + self.settings.exposure_stops;
        let extended = Extended::new(&self.operator, self.contrast, top, peak);
        Curve::new(&self.settings, self.mid, peak, |log| extended.at(log))
    }
}

fn top(filtered: &Array2<f32>) -> f64 {
    quantiles(filtered, 0.5, 0.999).1 + 0.25
}

/// The local gain, and the filtered small plane it leads to.
fn filtered(
    scene: &Scene,
    detail: f64,
    contrast: impl Fn(&Array2<f32>) -> f64,
) -> (Gain, Array2<f32>) {
    // Black blocks would stretch the range without being seen.
    let (low, _) = quantiles(&scene.small, 0.005, 1.0);
    let guide = scene.small.mapv(|v| v.max(low as f32 - 2.0));
    let base = bilateral::base(&guide);
    let compressed = bilateral::compress(&guide, &base, contrast(&base), scene.mean_log(), detail);
    let gain = Gain::fit(&guide, &compressed, scene.block);
    (gain, compressed)
}
