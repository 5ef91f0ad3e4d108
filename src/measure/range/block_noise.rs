//! The noise that lossy coding leaves visible: that of means of 8 x 8 pixels, smoothed over the patches by the noise model.
//!
//! A JPEG (ITU-T T.81) drops the small coefficients of a block, which hides the noise of its pixels, but keeps its mean to
//! the step of one coefficient. What a patch's block means scatter by is therefore what the sensor left, and where a mean
//! falls on the rounding of its neighbours the model of the other patches bridges it. Below a quality of about 80 the steps of a
//! mean come near one code, and the figure errs on the side of more noise.
use super::fit::{Observation, fit, observations};
use super::noise_model::Capture;
use crate::subject::{Source, Subject};
use crate::wedge::PatchSample;
use stopspan_core::model::Compression;

/// Standard deviation of one pixel's radiance in each patch, as its picture's block means show it (times 8: what it would be
/// were pixels independent). `None` for a picture without lossy sources, or with fewer than four clean patches of 8 blocks.
pub fn block_noise(subject: &Subject, patches: &[PatchSample]) -> Option<Vec<f64>> {
    let lossy = |s: &Source| matches!(s.compression, Compression::Jpeg { .. });
    if !subject.sources.iter().any(lossy) {
        return None;
    }
    let capture = Capture::of(&subject.sources)?;
    let of_blocks = |(index, plain): (usize, Observation)| {
        let sample = &patches[index];
        let deviation = sample.patch.block_deviation?;
        let blocks = sample.blocks.len() as f64;
        Some(Observation::new(
            &capture,
            plain.radiance,
            deviation * deviation,
            blocks,
        ))
    };
    let seen: Vec<Observation> = observations(patches, &capture)
        .into_iter()
        .filter_map(of_blocks)
        .collect();
    // No floor of the code: the mean of 64 rounded pixels knows less than one code.
    let model = fit(&seen.iter().collect::<Vec<_>>(), 0.0, None)?;
    let deviation = |s: &PatchSample| capture.variance(&model, s.patch.linear).sqrt();
    Some(patches.iter().map(deviation).collect())
}
