//! What the noise model says can be told apart: the closed form that measured figures are held against.
use super::sensor::Sensor;
use serde::{Deserialize, Serialize};

/// A patch counts as clipped when its mean lies less than this many standard deviations below saturation: the normal
/// deviate of 1 %, since a patch with more than 1 % of its pixels at the clip level is clipped.
const ONE_PER_CENT: f64 = 2.326_347_874;

/// Steps told apart per pixel, from photon, read, converter and code noise alone (compression and in-camera processing
/// are not in it).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Expected {
    /// 1 + number of neighbouring pairs with separation >= 1 and neither clipped.
    pub levels: usize,
    /// Neighbours that run together: (step, step, why), 1 = lightest.
    pub joined: Vec<(usize, usize, Join)>,
    /// Separation |m1 - m2| / sqrt((s1^2 + s2^2)/2) in linear light of each pair; `None` where one is clipped.
    pub separations: Vec<Option<f64>>,
}

/// Why two steps run together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Join {
    /// One of them is clipped.
    Clipped,
    /// Their difference drowns in noise.
    Noise,
}

/// One exposure that contributes: the sensor at its speed and the relative exposure.
pub type Taken<'a> = (&'a Sensor, f64);

/// Expected levels of patches whose light (1 saturates at relative exposure 1) is `light`, lightest first, in one frame
/// or in the inverse-variance merge of several.
pub fn expected(light: &[f64], taken: &[Taken]) -> Expected {
    let variances: Vec<Option<f64>> = light.iter().map(|&l| variance(l, taken)).collect();
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

/// Variance of one pixel in units of light: of the inverse-variance mean over frames in which the patch is not
/// clipped. `None` if it is clipped in all.
fn variance(light: f64, taken: &[Taken]) -> Option<f64> {
    let information: f64 = taken
        .iter()
        .filter_map(|(sensor, exposure)| {
            let scale = sensor.full_well * exposure / sensor.white_balance[1];
            let electrons = light * scale;
            let noise = electron_variance(sensor, electrons, *exposure);
            let full = sensor.full_well / sensor.white_balance[1];
            (electrons + ONE_PER_CENT * noise.sqrt() < full).then(|| scale * scale / noise)
        })
        .sum();
    (information > 0.0).then(|| 1.0 / information)
}

/// Electrons squared: the sensor's own noise and the rounding to output codes through the response's slope.
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

    /// The oracle for 21 steps of 0.15 D, 8000 e-, 3 e-, 12 bits, lightest patch at 1.9 of saturation, computed apart
    /// from this file: 19, 19, 17 levels in half, nominal, double, and 21 in their merge.
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
        let levels = |taken: &[Taken]| expected(&light, taken).levels;
        let single = [0.5, 1.0, 2.0].map(|t| levels(&[(&sensor, t)]));
        assert_eq!(single, [19, 19, 17]);
        assert_eq!(
            levels(&[(&sensor, 0.5), (&sensor, 1.0), (&sensor, 2.0)]),
            21
        );
    }
}
