//! The global photographic operator of Reinhard, Stark, Shirley and Ferwerda (2002).
use super::default_look::scale_for;
use super::scene::Scene;

/// Display luminance 0..=1 of a scaled luminance `L = a Lw / mean(Lw)`: `L (1 + L / white^2) / (1 + L)`, equation 4
/// of the paper. `white` > 0 is the smallest scaled luminance that becomes white; infinity gives equation 3, `L / (1
/// + L)`.
pub fn display_luminance(scaled: f64, white: f64) -> f64 {
    scaled * (1.0 + scaled / (white * white)) / (1.0 + scaled)
}

/// The operator for a scene: log2 luminance (after the exposure control) -> display luminance. The key, which the paper
/// leaves to the user, is such that `mid` becomes mid grey. White is the scene's largest luminance, the paper's default.
pub(super) fn operator(scene: &Scene, mid: f64) -> impl Fn(f64) -> f64 + use<> {
    let top = scene.top_log();
    // Otherwise a scene that stays below 1 would be stretched until its brightest pixel is white.
    let shown = move |log: f64, scale: f64| {
        display_luminance((log + scale).exp2(), (top + scale).exp2().max(1.0))
    };
    let scale = scale_for(-mid - 8.0, -mid + 8.0, |scale| shown(mid, scale));
    move |log| shown(log, scale)
}
