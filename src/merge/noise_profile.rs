//! The noise that a raw file states (NoiseProfile), held against the bracket's own photon transfer.
use stopspan_core::finding::Finding;
use stopspan_core::model::Response;
use stopspan_core::model::{Bracket, main_channel, raw_of};
use stopspan_core::model::{Noise, NoiseModel};

/// Ratios of measured over stated noise within which the two agree: of the variance per exposure, and of the deviation in the
/// dark (judgement: three times what a three-frame bracket is good for).
const SHOT_AGREES: f64 = 1.15;
const DARK_AGREES: f64 = 1.45;

/// The noise models that the reference's file states, one a channel; `None` where it states none, or where the frames were
/// developed, which changes noise. A profile of one pair holds for all colours.
///
/// The file's variance is `S x + O` of samples that are 0 at black and 1 at white; exposure is `g x`, so that the variance of
/// exposure e is `g S e + g^2 O`.
pub fn stated(bracket: &Bracket, response: &Response) -> Option<Vec<NoiseModel>> {
    let raw = raw_of(bracket).filter(|raw| !raw.settled)?;
    let first = *raw.noise_profile.first()?;
    let channels = response.curves.iter().enumerate();
    let models = channels.map(|(channel, curve)| {
        let colour = match response.curves.len() {
            4 => [0, 1, 1, 2][channel],
            _ => channel,
        };
        let (s, o) = raw.noise_profile.get(colour).copied().unwrap_or(first);
        let g = curve.exposure_at(raw.white[channel]) - curve.exposure_at(raw.black[channel]);
        NoiseModel {
            shot: g * s,
            read_variance: g * g * o,
            code_variance: 0.0,
        }
    });
    Some(models.collect())
}

/// A finding where measured and stated noise differ by more than [`SHOT_AGREES`] or [`DARK_AGREES`].
pub fn difference(noise: &Noise, stated: &[NoiseModel]) -> Option<Finding> {
    let main = main_channel(stated.len());
    let (own, told) = (noise.channels.get(main)?, stated.get(main)?);
    let shot = own.shot / told.shot;
    let dark = (own.read_variance / told.read_variance).sqrt();
    let apart = |ratio: f64, limit: f64| !(1.0 / limit..=limit).contains(&ratio);
    let differ = apart(shot, SHOT_AGREES) || apart(dark, DARK_AGREES);
    differ.then_some(Finding::NoiseProfileDiffers {
        shot_ratio: shot,
        dark_ratio: dark,
    })
}

/// Noise of red, green and blue photosites from that of the four planes.
pub fn of_colours(planes: &[NoiseModel]) -> Vec<NoiseModel> {
    match planes {
        [red, one, other, blue] => {
            let mean = |f: fn(&NoiseModel) -> f64| 0.5 * (f(one) + f(other));
            let green = NoiseModel {
                shot: mean(|n| n.shot),
                read_variance: mean(|n| n.read_variance),
                code_variance: mean(|n| n.code_variance),
            };
            vec![*red, green, *blue]
        }
        other => other.to_vec(),
    }
}
