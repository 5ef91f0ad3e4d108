//! An operator prepared for one scene: local gain and tone curve, also for displays with headroom.
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

/// Contrast above mid grey with which the global operators are extended.
const PLAIN: f64 = 1.0;

/// An operator for one scene, as functions of log2 luminance.
pub(super) struct Look {
    settings: ToneSettings,
    pub mixing: Mixing,
    pub gain: Option<Gain>,
    /// Log2 luminance of mid grey for the controls.
    mid: f64,
    /// Log2 luminance after the local gain -> display luminance 0..=1.
    operator: Box<dyn Fn(f64) -> f64 + Send + Sync>,
    /// Contrast above mid grey on displays with headroom.
    contrast: f64,
    /// Log2 luminance after the local gain that hardly any of the scene exceeds.
    top: f64,
}

impl Look {
    /// Prepares the operator from one pass over the map, whose radiance must be in standard layout. `primaries` are
    /// those of the rendering.
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

    /// Tone curve for a display whose peak is reference white.
    pub fn curve(&self) -> Curve {
        Curve::new(&self.settings, self.mid, 1.0, &self.operator)
    }

    /// Tone curve for a display whose peak is `peak` times reference white.
    pub fn extended(&self, peak: f64) -> Curve {
        let top = self.top + self.settings.exposure_stops;
        let extended = Extended::new(&self.operator, self.contrast, top, peak);
        Curve::new(&self.settings, self.mid, peak, |log| extended.at(log))
    }
}

fn top(filtered: &Array2<f32>) -> f64 {
    quantiles(filtered, 0.5, 0.999).1 + 0.25
}

/// The local gain, and the filtered small plane it produces.
fn filtered(
    scene: &Scene,
    detail: f64,
    contrast: impl Fn(&Array2<f32>) -> f64,
) -> (Gain, Array2<f32>) {
    // Black blocks would extend the range without being visible.
    let (low, _) = quantiles(&scene.small, 0.005, 1.0);
    let guide = scene.small.mapv(|v| v.max(low as f32 - 2.0));
    let base = bilateral::base(&guide);
    let compressed = bilateral::compress(&guide, &base, contrast(&base), scene.mean_log(), detail);
    let gain = Gain::fit(&guide, &compressed, scene.block);
    (gain, compressed)
}
