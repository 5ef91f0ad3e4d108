//! The global photographic operator of Reinhard, Stark, Shirley and Ferwerda (2002).
use super::scene::Scene;

/// The key value `a` of an average scene (0.18 in the paper): the scaled log-average luminance.
pub const KEY: f64 = 0.18;

/// Display luminance 0..=1 of a scaled luminance `L = a Lw / mean(Lw)`: `L (1 + L / white^2) / (1 + L)`, equation 4
/// of the paper. `white` > 0 is the smallest scaled luminance that becomes white; infinity gives equation 3, `L / (1
/// + L)`.
pub fn display_luminance(scaled: f64, white: f64) -> f64 {
    scaled * (1.0 + scaled / (white * white)) / (1.0 + scaled)
}

/// The operator for a scene: log2 luminance (after the exposure control) -> display luminance. White is the scene's
/// largest luminance, the paper's default.
pub(super) fn operator(scene: &Scene) -> impl Fn(f64) -> f64 + use<> {
    let scale = KEY.log2() - scene.mean_log();
    // Otherwise a scene that stays below 1 would be stretched until its brightest pixel is white.
    let white = (scene.top_log() + scale).exp2().max(1.0);
    move |log| display_luminance((log + scale).exp2(), white)
}
