//! The adaptive logarithmic operator of Drago, Myszkowski, Annen and Chiba (2003).
use super::scene::Scene;

/// The bias parameter recommended by the paper.
pub const BIAS: f64 = 0.85;
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

/// The operator for a scene: log2 luminance (after the exposure control) -> display luminance.
pub(super) fn operator(scene: &Scene) -> impl Fn(f64) -> f64 + use<> {
    let mean = scene.mean_log();
    let maximum = (scene.top_log() - mean).exp2();
    move |log| display_luminance((log - mean).exp2(), maximum, BIAS)
}
