//! In-camera processing of an encoded picture: noise reduction, sharpening, blending of the camera's own HDR picture.
use super::optics::gaussian;
use super::sensor::Sharpening;
use ndarray::{Array2, Array3, Axis, Zip};

/// Amplitude of detail, in levels, that noise reduction halves; smaller detail is attenuated more, larger less.
const CORE: f32 = 3.0 / 255.0;

/// Coring: detail finer than `sigma` pixels is kept in proportion to its excess over the noise.
pub fn reduce_noise(levels: &Array3<f32>, sigma: f64) -> Array3<f32> {
    let mut out = gaussian(levels, sigma);
    Zip::from(&mut out)
        .and(levels)
        .par_for_each(|smooth, &level| {
            let detail = level - *smooth;
            let power = detail * detail;
            *smooth += detail * power / (power + CORE * CORE);
        });
    out
}

/// Unsharp masking, clamped to 0..=1.
pub fn sharpen(levels: &Array3<f32>, how: &Sharpening) -> Array3<f32> {
    let amount = how.amount as f32;
    let mut out = gaussian(levels, how.radius);
    Zip::from(&mut out)
        .and(levels)
        .par_for_each(|smooth, &level| {
            *smooth = (level + amount * (level - *smooth)).clamp(0.0, 1.0);
        });
    out
}

/// Parameters of the camera's HDR blending.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Blend {
    /// Best-exposed level and standard deviation around it: the well-exposedness weight of Mertens, Kautz and Van Reeth
    /// (2007), who use 0.5 and 0.2.
    pub best: (f64, f64),
    /// Standard deviation of the smoothing of the weights, pixels.
    pub weight_blur: f64,
    /// Exponent of the fixed global curve on levels; below 1 lifts the shadows.
    pub curve: f64,
    /// Local contrast: amount and radius in pixels of a wide unsharp mask.
    pub local_contrast: Sharpening,
    /// Final sharpening.
    pub sharpening: Sharpening,
}

impl Blend {
    /// Plausible parameters for a picture of the given number of columns.
    pub fn for_columns(columns: usize) -> Self {
        let size = columns as f64 / 1600.0;
        Blend {
            best: (0.5, 0.2),
            weight_blur: 10.0 * size,
            curve: 0.92,
            local_contrast: Sharpening {
                amount: 0.25,
                radius: 30.0 * size,
            },
            sharpening: Sharpening {
                amount: 0.6,
                radius: 1.0,
            },
        }
    }
}

/// The camera's own HDR picture: encoded frames (levels 0..=1, equal shapes, at least one) blended in code values by their
/// well-exposedness, followed by a fixed curve, mild local contrast and sharpening. It is a finished picture, whose levels
/// are not linear in light.
pub fn camera_hdr(frames: &[Array3<f32>], how: &Blend) -> Option<Array3<f32>> {
    let first = frames.first()?;
    let (rows, columns, _) = first.dim();
    let mut sum = Array3::<f32>::zeros(first.dim());
    let mut total = Array2::<f32>::zeros((rows, columns));
    for frame in frames {
        let weight = gaussian(
            &exposedness(frame, how.best).insert_axis(Axis(2)),
            how.weight_blur,
        );
        let weight = weight.index_axis_move(Axis(2), 0);
        total += &weight;
        for (mut out, channel) in sum.axis_iter_mut(Axis(2)).zip(frame.axis_iter(Axis(2))) {
            Zip::from(&mut out)
                .and(&channel)
                .and(&weight)
                .for_each(|o, &v, &w| *o += v * w);
        }
    }
    for mut channel in sum.axis_iter_mut(Axis(2)) {
        Zip::from(&mut channel).and(&total).for_each(|v, &w| {
            *v = libm::pow(f64::from(*v / w).clamp(0.0, 1.0), how.curve) as f32;
        });
    }
    Some(sharpen(
        &local_contrast(&sum, &how.local_contrast),
        &how.sharpening,
    ))
}

/// Weight of every pixel, > 0: a Gaussian about the best level, of the mean of the channels.
fn exposedness(frame: &Array3<f32>, best: (f64, f64)) -> Array2<f32> {
    frame.map_axis(Axis(2), |pixel| {
        let level = f64::from(pixel.sum()) / pixel.len() as f64;
        (libm::exp(-0.5 * ((level - best.0) / best.1).powi(2)) + 1e-4) as f32
    })
}

/// A wide unsharp mask on the mean of the channels only, which preserves hues.
fn local_contrast(levels: &Array3<f32>, how: &Sharpening) -> Array3<f32> {
    let channels = levels.dim().2 as f32;
    let grey = levels.map_axis(Axis(2), |pixel| pixel.sum() / channels);
    let base = gaussian(&grey.clone().insert_axis(Axis(2)), how.radius);
    let amount = how.amount as f32;
    let mut out = levels.clone();
    for mut channel in out.axis_iter_mut(Axis(2)) {
        Zip::from(&mut channel)
            .and(&grey)
            .and(&base.index_axis(Axis(2), 0))
            .for_each(|v, &g, &b| *v = (*v + amount * (g - b)).clamp(0.0, 1.0));
    }
    out
}
