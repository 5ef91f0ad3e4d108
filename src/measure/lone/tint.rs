//! Colour of the steps of a finished picture: CIE 1976 L*a*b* (ISO/CIE 11664-4) of their mean codes.
use super::LoneInput;
use crate::compare::{D65, lab, xyz};
use stopspan_core::model::ResponseCurve;
use stopspan_core::model::colour::stated_colour;
use stopspan_core::results::{LinearLight, Patch, Tint};
use stopspan_core::units::{Primaries, apply, srgb_exposure};

/// The tint of every patch; empty for a picture of one channel. Codes are display codes in the primaries that the file states
/// (Adobe RGB by its own power law); linear levels are taken to their light by `curves`, white being where they clip.
pub(super) fn tints(input: &LoneInput, curves: &[ResponseCurve], patches: &[Patch]) -> Vec<Tint> {
    if input.picture.pixels.channels() < 3 {
        return Vec::new();
    }
    let primaries = stated_colour(&input.picture.header).primaries;
    let linear = input.known.is_some_and(|k| k.light == LinearLight::Linear);
    let power = primaries.near(&Primaries::ADOBE_RGB);
    let to_srgb = (!primaries.near(&Primaries::SRGB)).then(|| primaries.to(&Primaries::SRGB));
    let light = |channel: usize, level: f64| match (linear, power) {
        (true, _) => curves[channel.min(curves.len() - 1)].exposure_at(level),
        (false, true) => level.powf(563.0 / 256.0),
        (false, false) => srgb_exposure(level),
    };
    let tint = |patch: &Patch| {
        let code = patch.code?;
        let own = [0, 1, 2].map(|k| light(k, code[k] / 255.0));
        let shown = to_srgb.as_ref().map_or(own, |m| apply(m, own));
        let [lightness, a, b] = lab(xyz(shown), D65);
        Some(Tint {
            step: patch.step,
            lightness,
            a,
            b,
        })
    };
    patches.iter().filter_map(tint).collect()
}
