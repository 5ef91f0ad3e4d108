//! The noise model stated by a raw file (NoiseProfile), compared with the one measured from the bracket.
use stopspan_core::finding::Finding;
use stopspan_core::model::Response;
use stopspan_core::model::{Bracket, main_channel, raw_of};
use stopspan_core::model::{Noise, NoiseModel};

/// Largest factor between measured and stated shot noise variance (judgement: three times the uncertainty of a measurement
/// from three frames).
const SHOT_AGREES: f64 = 1.15;
/// The same for the standard deviation in the dark.
const DARK_AGREES: f64 = 1.45;

/// The noise models stated by the file of the reference frame, one a channel; `None` if it states none, or if the frames were
/// developed, which changes the noise. A profile with a single pair applies to all colours.
///
/// The file states the variance `S x + O` of samples x that are 0 at black and 1 at white. Exposure is e = g x, so its
/// variance is `g S e + g^2 O`.
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

/// A finding if measured and stated noise differ by more than a factor of 1.15 in the variance per exposure, or 1.45 in the deviation
/// in the dark.
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
