//! Levels resolved by the noise model in closed form, for comparison with measured ones.
use super::sensor::Sensor;
use serde::{Deserialize, Serialize};

/// Distance of a patch's mean below saturation, standard deviations, under which it counts as clipped: the normal deviate
/// of 1 %, because a patch with more than 1 % of its pixels at the clip level is clipped.
const ONE_PER_CENT: f64 = 2.326_347_874;

/// Steps resolved per pixel, from photon, read, converter and code noise alone (without compression and in-camera
/// processing).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Expected {
    /// 1 plus the number of neighbouring pairs with separation >= 1 and neither clipped.
    pub levels: usize,
    /// Unresolved neighbours: (step, step, reason), 1 = lightest.
    pub joined: Vec<(usize, usize, Join)>,
    /// Separation `|m1 - m2| / sqrt((s1^2 + s2^2) / 2)` in linear light of each pair; `None` if one is clipped.
    pub separations: Vec<Option<f64>>,
}

/// Reason why two steps are not resolved.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Join {
    /// One of them is clipped.
    Clipped,
    /// Their difference is below the noise.
    Noise,
}

/// One frame: the sensor at its speed, and the exposure.
#[derive(Debug, Clone, Copy)]
pub struct FrameExposure<'a> {
    /// The sensor at the frame's ISO speed.
    pub sensor: &'a Sensor,
    /// Exposure relative to the nominal frame, a factor of light, > 0.
    pub relative_exposure: f64,
}

/// Expected levels of patches in one frame or in the inverse-variance merge of several. `light` is the patches' light,
/// lightest first; 1 saturates at relative exposure 1.
pub fn expected(light: &[f64], frames: &[FrameExposure]) -> Expected {
    let variances: Vec<Option<f64>> = light.iter().map(|&l| variance(l, frames)).collect();
    let separations: Vec<Option<f64>> = light
        .windows(2)
        .zip(variances.windows(2))
        .map(|(l, v)| Some((l[0] - l[1]) / ((v[0]? + v[1]?) / 2.0).sqrt()))
        .collect();
    let joined: Vec<(usize, usize, Join)> = separations
        .iter()
        .enumerate()
        .filter_map(|(i, s)| match s {
            None => Some((i + 1, i + 2, Join::Clipped)),
            Some(s) if *s < 1.0 => Some((i + 1, i + 2, Join::Noise)),
            Some(_) => None,
        })
        .collect();
    Expected {
        levels: light.len() - joined.len(),
        joined,
        separations,
    }
}

/// Variance of one pixel in units of light, of the inverse-variance mean over the frames in which the patch is not clipped.
/// `None` if it is clipped in all.
fn variance(light: f64, frames: &[FrameExposure]) -> Option<f64> {
    let information: f64 = frames
        .iter()
        .filter_map(|frame| {
            let (sensor, exposure) = (frame.sensor, frame.relative_exposure);
            let scale = sensor.full_well * exposure / sensor.white_balance[1];
            let electrons = light * scale;
            let noise = electron_variance(sensor, electrons, exposure);
            let full = sensor.full_well / sensor.white_balance[1];
            (electrons + ONE_PER_CENT * noise.sqrt() < full).then(|| scale * scale / noise)
        })
        .sum();
    (information > 0.0).then(|| 1.0 / information)
}

/// Variance in electrons squared: the sensor's noise, and the rounding to output codes through the response's slope.
fn electron_variance(sensor: &Sensor, electrons: f64, exposure: f64) -> f64 {
    let full = sensor.full_well / sensor.white_balance[1];
    let top = if sensor.output_bits == 16 {
        65535.0
    } else {
        255.0
    };
    let slope = sensor
        .response
        .slope((electrons / full).clamp(0.0, 1.0))
        .max(1e-6);
    let code = full / (top * slope);
    sensor.variance(electrons + sensor.dark_electrons * exposure) + code * code / 12.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::CameraCurve;

    /// Reference values for 21 steps of 0.15 D, 8000 e-, 3 e-, 12 bits, lightest patch at 1.9 of saturation, computed
    /// independently of this file: 19, 19, 17 levels at half, nominal and double exposure, and 21 in their merge.
    #[test]
    fn levels_of_the_ideal_wedge() {
        let sensor = Sensor {
            read_noise: 3.0,
            black: 0.0,
            output_bits: 16,
            response: CameraCurve::Linear,
            ..Sensor::default()
        };
        let light: Vec<f64> = (0..21)
            .map(|i| 1.9 * 10f64.powf(-0.15 * f64::from(i)))
            .collect();
        let levels = |frames: &[FrameExposure]| expected(&light, frames).levels;
        let frames = [0.5, 1.0, 2.0].map(|relative_exposure| FrameExposure {
            sensor: &sensor,
            relative_exposure,
        });
        assert_eq!(frames.map(|frame| levels(&[frame])), [19, 19, 17]);
        assert_eq!(levels(&frames), 21);
    }
}
