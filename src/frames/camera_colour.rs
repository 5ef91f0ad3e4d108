//! Primaries of a raw camera's colour space, from the matrices of its file.
//!
//! DNG specification 1.7, chapter 6, "Mapping Camera Color Space to CIE XYZ Space": matrices of two illuminants are
//! interpolated in reciprocal correlated colour temperature; the chromaticity of the light is found from the neutral
//! by iteration; XYZ is adapted (Bradford) to D50, as in ICC profiles.
use super::temperature::{correlated_temperature, temperature_of};
use stopspan_core::model::{CameraColour, ColourCalibration};
use stopspan_core::units::{D50, Matrix, Primaries, adaptation, apply, inverse, product};

/// CIE 1931 chromaticity of D50, where the iteration starts.
const START: [f64; 2] = [0.3457, 0.3585];
/// Largest number of iterations, and the change at which they stop.
const ROUNDS: usize = 30;
const SETTLED: f64 = 1e-7;

/// Colour space of a raw camera under the light of the picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CameraSpace {
    /// The space of white-balanced camera red, green and blue (equal for a neutral surface), whose white is D50.
    pub primaries: Primaries,
    /// CIE 1931 chromaticity of the light.
    pub light: [f64; 2],
    /// Its correlated colour temperature, kelvin.
    pub temperature: f64,
}

/// Camera red, green and blue of a neutral surface: as stated, or computed from the chromaticity of the light. `None`
/// if the file states neither.
pub fn neutral_of(colour: &CameraColour) -> Option<[f64; 3]> {
    if let Some(stated) = colour.neutral {
        return Some(stated);
    }
    let xy = colour.white.filter(|xy| xy[0] > 0.0 && xy[1] > 0.0)?;
    let camera = apply(&from_xyz(colour, correlated_temperature(xy))?, xyz(xy));
    let all = camera.iter().all(|v| v.is_finite() && *v > 0.0);
    all.then(|| camera.map(|v| v / camera[1]))
}

/// Colour space of a camera under its light. `None` without matrices, or if they define no colour space.
pub fn camera_space(colour: &CameraColour) -> Option<CameraSpace> {
    let neutral = neutral_of(colour)?;
    let light = light(colour, neutral)?;
    let temperature = correlated_temperature(light);
    let to_d50 = match interpolated(colour, temperature, |c| c.forward) {
        Some(forward) => {
            let back = inverse(&individual(colour, temperature))?;
            let even = diagonal(apply(&back, neutral).map(|v| 1.0 / v));
            product(&forward, &product(&even, &back))
        }
        None => {
            let to_xyz = inverse(&from_xyz(colour, temperature)?)?;
            product(&adaptation(xyz(light), D50), &to_xyz)
        }
    };
    Some(CameraSpace {
        primaries: Primaries::of_matrix(&product(&to_d50, &diagonal(neutral)))?,
        light,
        temperature,
    })
}

/// Chromaticity of the light that renders `neutral` neutral, by iteration, because the matrices depend on it.
fn light(colour: &CameraColour, neutral: [f64; 3]) -> Option<[f64; 2]> {
    let mut xy = START;
    for round in 0..ROUNDS {
        let matrix = from_xyz(colour, correlated_temperature(xy))?;
        let found = apply(&inverse(&matrix)?, neutral);
        let sum: f64 = found.iter().sum();
        let next = [found[0] / sum, found[1] / sum];
        if !next.iter().all(|v| v.is_finite() && *v > 0.0) {
            return None;
        }
        let moved = (next[0] - xy[0]).abs() + (next[1] - xy[1]).abs();
        // If the iteration oscillates, the last step goes half way.
        xy = if round + 1 == ROUNDS {
            [(xy[0] + next[0]) / 2.0, (xy[1] + next[1]) / 2.0]
        } else {
            next
        };
        if moved < SETTLED {
            break;
        }
    }
    Some(xy)
}

/// Matrix from CIE XYZ to the colours of this individual camera at a colour temperature: AnalogBalance
/// CameraCalibration ColorMatrix.
fn from_xyz(colour: &CameraColour, temperature: f64) -> Option<Matrix> {
    let model = interpolated(colour, temperature, |c| Some(c.from_xyz))?;
    Some(product(&individual(colour, temperature), &model))
}

/// The product AnalogBalance CameraCalibration.
fn individual(colour: &CameraColour, temperature: f64) -> Matrix {
    let balance = diagonal(colour.balance.unwrap_or([1.0; 3]));
    match interpolated(colour, temperature, |c| c.calibration) {
        Some(own) => product(&balance, &own),
        None => balance,
    }
}

/// Matrix at a colour temperature: linear in reciprocal temperature between the two illuminants, constant beyond
/// them.
fn interpolated(
    colour: &CameraColour,
    temperature: f64,
    pick: impl Fn(&ColourCalibration) -> Option<[f64; 9]>,
) -> Option<Matrix> {
    let known = colour.calibrations.iter().filter_map(|c| {
        let m = pick(c)?;
        let rows = [0, 1, 2].map(|r| [m[3 * r], m[3 * r + 1], m[3 * r + 2]]);
        Some((temperature_of(c.illuminant), rows))
    });
    let known: Vec<(Option<f64>, Matrix)> = known.collect();
    match *known.as_slice() {
        [(Some(one), a), (Some(other), b)] if one != other => {
            let share = (1.0 / temperature - 1.0 / one) / (1.0 / other - 1.0 / one);
            let share = share.clamp(0.0, 1.0);
            let mix = |r: usize, c: usize| a[r][c] * (1.0 - share) + b[r][c] * share;
            Some([0, 1, 2].map(|r| [0, 1, 2].map(|c| mix(r, c))))
        }
        [(_, a), ..] => Some(a),
        [] => None,
    }
}

fn diagonal(v: [f64; 3]) -> Matrix {
    [[v[0], 0.0, 0.0], [0.0, v[1], 0.0], [0.0, 0.0, v[2]]]
}

/// CIE XYZ of a chromaticity, with Y = 1.
fn xyz([x, y]: [f64; 2]) -> [f64; 3] {
    [x / y, 1.0, (1.0 - x - y) / y]
}
