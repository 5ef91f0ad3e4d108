//! What a camera's maker does to colour and black between the sensor and the file.
//!
//! Sensor channels overlap, so that a matrix makes the colours of the file out of all three; saturation is raised on the encoded
//! picture; black is lifted or blocked. After any of these, one response curve a channel is only nearly true: what is left depends on
//! colour (Ramanath, Snyder, Yoo and Drew (2005) describe the order of such steps).
use nalgebra::{Matrix3, Vector3};
use ndarray::{Array3, Axis, Zip};
use serde::{Deserialize, Serialize};
use stopspan_core::Error;

/// Colour and black of the file. The default changes nothing.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Processing {
    /// From white-balanced sensor channels to linear R, G, B of the file, row by row; rows add up to 1 and grey stays grey. The scene's
    /// light is given in the file's R, G, B, so that the sensor sees it through the inverse.
    pub colour_matrix: [[f64; 3]; 3],
    /// Factor on the distance of encoded channels from their mean at mid grey, 0.5..=2; it falls to 1 at black and white.
    pub saturation: f64,
    /// Level of black in 8-bit codes, -40..=40: above 0 black is lifted to it, below 0 everything under it is blocked to 0.
    pub black_codes: f64,
}

const NONE: [[f64; 3]; 3] = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];

impl Default for Processing {
    fn default() -> Self {
        Processing {
            colour_matrix: NONE,
            saturation: 1.0,
            black_codes: 0.0,
        }
    }
}

impl Processing {
    /// True if the channels of the sensor are those of the file.
    pub(super) fn keeps_channels(&self) -> bool {
        self.colour_matrix == NONE
    }

    fn matrix(&self) -> Matrix3<f64> {
        Matrix3::from_fn(|row, column| self.colour_matrix[row][column])
    }

    /// Light as the sensor's channels see it, at least 0: the file's R, G, B through the inverse of the matrix.
    pub(super) fn sensor_light(&self, light: &Array3<f32>) -> Array3<f32> {
        let inverse = self.matrix().try_inverse();
        through(&inverse.unwrap_or_else(Matrix3::identity), light)
    }

    /// Linear channels of the file from white-balanced channels of the sensor, both relative to saturation; 0..=1.
    pub(super) fn file_light(&self, sensor: &Array3<f32>) -> Array3<f32> {
        through(&self.matrix(), &sensor.mapv(|x| x.min(1.0)))
    }

    /// Saturation of encoded levels, 0..=1.
    pub(super) fn saturate(&self, levels: &mut Array3<f32>) {
        if self.saturation == 1.0 || levels.dim().2 != 3 {
            return;
        }
        let more = self.saturation as f32 - 1.0;
        levels.lanes_mut(Axis(2)).into_iter().for_each(|mut pixel| {
            let mean = pixel.sum() / 3.0;
            let factor = 1.0 + more * (1.0 - (2.0 * mean - 1.0).abs());
            pixel.mapv_inplace(|v| (mean + factor * (v - mean)).clamp(0.0, 1.0));
        });
    }

    /// Lifts or blocks black.
    pub(super) fn set_black(&self, levels: &mut Array3<f32>) {
        let black = (self.black_codes / 255.0) as f32;
        if black > 0.0 {
            levels.mapv_inplace(|v| black + v * (1.0 - black));
        } else if black < 0.0 {
            levels.mapv_inplace(|v| ((v + black) / (1.0 + black)).max(0.0));
        }
    }

    /// Checks the numbers against the ranges stated on the fields.
    ///
    /// # Errors
    /// [`Error::Scenario`] for a number out of range, rows of the matrix that do not add up to 1, or a matrix that has no inverse.
    pub(super) fn check(&self) -> Result<(), Error> {
        let refused = |field: &str, problem: String| {
            Err(Error::scenario(
                format!("sensor.processing.{field}"),
                problem,
            ))
        };
        if !(0.5..=2.0).contains(&self.saturation) {
            return refused(
                "saturation",
                format!("{} is not within 0.5..=2", self.saturation),
            );
        }
        if !(-40.0..=40.0).contains(&self.black_codes) {
            let problem = format!("{} is not within -40..=40", self.black_codes);
            return refused("black_codes", problem);
        }
        let grey = self.matrix() * Vector3::from_element(1.0);
        if grey
            .iter()
            .any(|sum| (sum - 1.0).abs() > 1e-9 || sum.is_nan())
        {
            return refused(
                "colour_matrix",
                format!("rows add up to {:?}, not to 1", grey.as_slice()),
            );
        }
        if self.matrix().try_inverse().is_none() {
            return refused("colour_matrix", "has no inverse".into());
        }
        Ok(())
    }
}

/// Every pixel times a matrix, at least 0. Pictures of one channel stay as they are.
fn through(matrix: &Matrix3<f64>, from: &Array3<f32>) -> Array3<f32> {
    if from.dim().2 != 3 {
        return from.clone();
    }
    let matrix = matrix.cast::<f32>();
    let mut out = Array3::zeros(from.dim());
    Zip::from(out.lanes_mut(Axis(2)))
        .and(from.lanes(Axis(2)))
        .par_for_each(|mut to, from| {
            let pixel = matrix * Vector3::new(from[0], from[1], from[2]);
            to.iter_mut()
                .zip(pixel.iter())
                .for_each(|(t, v)| *t = v.max(0.0));
        });
    out
}
