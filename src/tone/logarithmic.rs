//! The adaptive logarithmic operator of Drago, Myszkowski, Annen and Chiba (2003).
use super::default_look::scale_for;
use super::scene::Scene;

/// The bias parameter recommended by the paper.
pub const BIAS: f64 = 0.85;
/// Bias of renderings. The paper finds 0.7 to 0.9 to be of use; on photographed scenes the lower half looks less milky.
const SHOWN: f64 = 0.75;
/// Luminance of display white assumed by the paper, cd/m^2; with it the largest luminance becomes exactly white.
const DISPLAY_MAXIMUM: f64 = 100.0;

/// Display luminance 0..=1 of a luminance `world >= 0`; `world` and the scene's maximum `world_maximum > 0` are
/// relative to its log-average luminance. `bias` is in 0.5..=1. Equation 4 of the paper, where the base of the
/// logarithm varies from 2 in the dark to 10 in the light.
pub fn display_luminance(world: f64, world_maximum: f64, bias: f64) -> f64 {
    let exponent = bias.ln() / 0.5f64.ln();
    let base = 2.0 + 8.0 * (world / world_maximum).powf(exponent);
    DISPLAY_MAXIMUM * 0.01 / (world_maximum + 1.0).log10() * (world + 1.0).ln() / base.ln()
}

/// The operator for a scene: log2 luminance (after the exposure control) -> display luminance. The factor on luminance,
/// which the paper leaves to the user, is such that `mid` becomes mid grey.
pub(super) fn operator(scene: &Scene, mid: f64) -> impl Fn(f64) -> f64 + use<> {
    let top = scene.top_log();
    let shown = move |log: f64, scale: f64| {
        display_luminance((log + scale).exp2(), (top + scale).exp2(), SHOWN)
    };
    let scale = scale_for(-mid - 16.0, -mid + 16.0, |scale| shown(mid, scale));
    move |log| shown(log, scale)
}
