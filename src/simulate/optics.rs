//! From scene radiance to light on the sensor: fall-off, point spread, veiling glare. Also the Gaussian filter.
use super::sensor::Sensor;
use ndarray::{Array3, Axis};
use rayon::prelude::*;
use std::borrow::Cow;

/// Light on the sensor from a scene of the given radiance, same shape and unit. Borrowed if the optics are perfect.
pub fn irradiance<'a>(radiance: &'a Array3<f32>, sensor: &Sensor) -> Cow<'a, Array3<f32>> {
    let mut light = Cow::Borrowed(radiance);
    if sensor.vignetting > 0.0 {
        fall_off(light.to_mut(), sensor.vignetting);
    }
    if sensor.blur > 0.0 {
        light = Cow::Owned(gaussian(&light, sensor.blur));
    }
    if sensor.glare > 0.0 {
        veil(light.to_mut(), sensor.glare);
    }
    light
}

/// Natural fall-off, cos^4 of the field angle, with a relative loss of `loss` in the corners.
fn fall_off(light: &mut Array3<f32>, loss: f64) {
    let (rows, columns, _) = light.dim();
    let (cy, cx) = (rows as f64 / 2.0, columns as f64 / 2.0);
    // cos^4 = (1 + tan^2)^-2, so tan^2 in the corner is (1 - loss)^(-1/2) - 1.
    let corner = 1.0 / (1.0 - loss).sqrt() - 1.0;
    let scale = corner / (cy * cy + cx * cx);
    light
        .axis_iter_mut(Axis(0))
        .into_par_iter()
        .enumerate()
        .for_each(|(row, mut line)| {
            let y = row as f64 + 0.5 - cy;
            for (column, mut pixel) in line.axis_iter_mut(Axis(0)).enumerate() {
                let x = column as f64 + 0.5 - cx;
                let tangent = 1.0 + scale * (x * x + y * y);
                let factor = (1.0 / (tangent * tangent)) as f32;
                pixel.mapv_inplace(|v| v * factor);
            }
        });
}

/// Uniform veiling glare: the share `glare` of each channel's light is spread evenly over the frame; the total is
/// unchanged.
fn veil(light: &mut Array3<f32>, glare: f64) {
    for mut channel in light.axis_iter_mut(Axis(2)) {
        // Summed row by row in double precision: equal on any number of threads.
        let sum: f64 = channel.iter().map(|&v| f64::from(v)).sum();
        let added = (glare * sum / channel.len().max(1) as f64) as f32;
        let kept = (1.0 - glare) as f32;
        channel.mapv_inplace(|v| v * kept + added);
    }
}

/// Gaussian filter of standard deviation `sigma` pixels, truncated at 4 sigma, edges repeated.
pub fn gaussian(image: &Array3<f32>, sigma: f64) -> Array3<f32> {
    if sigma <= 0.0 || image.is_empty() {
        return image.clone();
    }
    let weights = kernel(sigma);
    let across = filter_rows(image, &weights);
    let turned = across
        .permuted_axes([1, 0, 2])
        .as_standard_layout()
        .into_owned();
    let down = filter_rows(&turned, &weights);
    down.permuted_axes([1, 0, 2])
        .as_standard_layout()
        .into_owned()
}

/// Half of the kernel: weight at 0, 1, 2, ... pixels, normalised over both sides.
fn kernel(sigma: f64) -> Vec<f32> {
    let reach = (4.0 * sigma).ceil() as usize;
    let raw: Vec<f64> = (0..=reach)
        .map(|i| libm::exp(-0.5 * (i as f64 / sigma).powi(2)))
        .collect();
    let sum = 2.0 * raw.iter().sum::<f64>() - raw[0];
    raw.iter().map(|w| (w / sum) as f32).collect()
}

fn filter_rows(image: &Array3<f32>, weights: &[f32]) -> Array3<f32> {
    let (_, columns, channels) = image.dim();
    let mut out = Array3::zeros(image.dim());
    out.axis_iter_mut(Axis(0))
        .into_par_iter()
        .zip(image.axis_iter(Axis(0)))
        .for_each(|(mut to, from)| {
            let last = columns as isize - 1;
            for column in 0..columns {
                let at = |offset: isize| (column as isize + offset).clamp(0, last) as usize;
                for channel in 0..channels {
                    let mut sum = weights[0] * from[[column, channel]];
                    for (i, w) in weights.iter().enumerate().skip(1) {
                        let i = i as isize;
                        sum += w * (from[[at(-i), channel]] + from[[at(i), channel]]);
                    }
                    to[[column, channel]] = sum;
                }
            }
        });
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_gaussian_has_its_variance_and_keeps_the_sum() {
        let mut image = Array3::zeros((41, 41, 1));
        image[[20, 20, 0]] = 1.0f32;
        let spread = gaussian(&image, 1.5);
        let (mut sum, mut second) = (0.0, 0.0);
        for ((row, _, _), &v) in spread.indexed_iter() {
            sum += f64::from(v);
            second += f64::from(v) * (row as f64 - 20.0).powi(2);
        }
        assert!((sum - 1.0).abs() < 1e-5);
        // Sampled and truncated at 4 sigma: the variance of a Gaussian to 0.2 %.
        assert!((second / 2.25 - 1.0).abs() < 2e-3, "{second}");
    }

    #[test]
    fn glare_adds_the_stated_share_of_the_mean() {
        let mut scene = Array3::from_elem((10, 10, 3), 1.0f32);
        scene.slice_mut(ndarray::s![..5, .., ..]).fill(0.0);
        let sensor = Sensor {
            glare: 0.02,
            ..Sensor::default()
        };
        let light = irradiance(&scene, &sensor);
        assert!(
            (light[[0, 0, 0]] - 0.01).abs() < 1e-6,
            "half the frame is lit: 2 % of 0.5"
        );
        assert!((light[[9, 9, 2]] - 0.99).abs() < 1e-6);
        assert!(
            (light.mean().unwrap() - 0.5).abs() < 1e-6,
            "no light is made"
        );
    }

    #[test]
    fn corners_lose_the_stated_share() {
        let scene = Array3::from_elem((401, 601, 1), 1.0f32);
        let sensor = Sensor {
            vignetting: 0.3,
            ..Sensor::default()
        };
        let light = irradiance(&scene, &sensor);
        assert!((light[[200, 300, 0]] - 1.0).abs() < 1e-4);
        assert!(
            (light[[0, 0, 0]] - 0.7).abs() < 2e-3,
            "the corner pixel's centre lies just inside"
        );
    }
}
