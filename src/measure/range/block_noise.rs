//! Noise by 8 x 8 pixel means, which lossy coding preserves, smoothed over the patches by the noise model.
//!
//! A JPEG (ITU-T T.81) drops the small coefficients of a block, which hides the noise of its pixels, but keeps the block
//! mean to the step of one coefficient. The scatter of a patch's block means is therefore the sensor's. Where the means of
//! a patch all round to the same value, the model of the other patches replaces its scatter. Below a quality of about 80
//! the step of a mean approaches one code, and the noise is overestimated.
use super::fit::{Observation, fit, observations};
use super::noise_model::Capture;
use crate::subject::{Source, Subject};
use crate::wedge::PatchSample;
use stopspan_core::model::Compression;

/// Standard deviation of one pixel's radiance in each patch, from the picture's block means (times 8, the value for
/// independent pixels). `None` for a picture without lossy sources, or with fewer than four clean patches of 8 blocks.
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
    // Without a floor for code rounding: the mean of 64 rounded pixels is finer than one code.
    let model = fit(&seen.iter().collect::<Vec<_>>(), 0.0, None)?;
    let deviation = |s: &PatchSample| capture.variance(&model, s.patch.linear).sqrt();
    Some(patches.iter().map(deviation).collect())
}
