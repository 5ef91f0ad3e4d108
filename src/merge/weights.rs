//! What the merge looks up: weights, systematic uncertainty and the leading frame, all functions of scene radiance alone.
//!
//! A weight taken at the *observed* value is correlated with its error and pulls the mean; these are taken at the value
//! predicted from all frames, and a frame is left out where its prediction plus three standard deviations reaches the
//! clip level, whatever it happened to show.
use super::noise::NoiseModel;
use crate::response::ResponseCurve;

/// Table cells per octave of radiance (a power of two, so that a cell is read off a float's bits).
const CELLS_PER_OCTAVE: usize = 16;
/// 2^-24 to 2^12 of the reference frame's clip level.
const LOWEST_OCTAVE: i32 = -24;
const OCTAVES: usize = 36;
/// Number of cells.
pub(crate) const CELLS: usize = CELLS_PER_OCTAVE * OCTAVES;

/// One frame as the weights see it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct FrameLight {
    /// Exposure relative to the reference.
    pub factor: f64,
    /// Sensitivity relative to the reference.
    pub gain: f64,
    /// Standard uncertainty of log2 exposure relative to the reference, stops.
    pub uncertainty_stops: f64,
}

/// Weights of one channel, by cell.
#[derive(Debug, Clone)]
pub(crate) struct Weights {
    /// By frame: inverse variance of radiance, 0 where the frame is left out.
    weight: Vec<Vec<f32>>,
    /// True where a frame is left out because it is predicted to clip.
    clipping: Vec<bool>,
    /// Relative systematic standard uncertainty when every frame with a weight contributes.
    systematic: Vec<f32>,
    /// Frame with the largest weight.
    leader: Vec<u8>,
}

/// The cell of a radiance: its exponent and first four mantissa bits.
#[inline]
pub(crate) fn cell(radiance: f32) -> usize {
    const SHIFT: u32 = 23 - CELLS_PER_OCTAVE.trailing_zeros();
    let bits = (radiance.max(0.0).to_bits() >> SHIFT) as i32;
    let first = (127 + LOWEST_OCTAVE) << CELLS_PER_OCTAVE.trailing_zeros();
    (bits - first).clamp(0, CELLS as i32 - 1) as usize
}

/// The radiance in the middle of a cell.
fn centre(cell: usize) -> f64 {
    let octave = (cell / CELLS_PER_OCTAVE) as i32 + LOWEST_OCTAVE;
    let within = (cell % CELLS_PER_OCTAVE) as f64 + 0.5;
    f64::from(octave).exp2() * (1.0 + within / CELLS_PER_OCTAVE as f64)
}

impl Weights {
    pub(crate) fn new(curve: &ResponseCurve, noise: &NoiseModel, frames: &[FrameLight]) -> Self {
        let shortest = position_by(frames, |a, b| a.factor < b.factor);
        let longest = position_by(frames, |a, b| a.factor > b.factor);
        let mut out = Weights {
            weight: vec![Vec::with_capacity(CELLS); frames.len()],
            clipping: Vec::new(),
            systematic: Vec::new(),
            leader: Vec::new(),
        };
        let top = curve.exposure_at(curve.clip_level);
        for index in 0..CELLS {
            let radiance = centre(index);
            let weights: Vec<f64> = (0..frames.len())
                .map(|j| {
                    frame_weight(
                        curve,
                        noise,
                        &frames[j],
                        radiance,
                        top,
                        (j == shortest, j == longest),
                    )
                })
                .collect();
            out.systematic
                .push(systematic(curve, frames, &weights, radiance) as f32);
            let leader =
                (0..weights.len()).fold(
                    0,
                    |best, j| if weights[j] > weights[best] { j } else { best },
                );
            out.leader.push(leader.min(255) as u8);
            for (list, &weight) in out.weight.iter_mut().zip(&weights) {
                list.push(weight as f32);
            }
            let reach = |f: &FrameLight| {
                let x = radiance * f.factor;
                x + 3.0 * deviation(curve, noise, f, x) > top
            };
            out.clipping.push(frames.iter().any(reach));
        }
        out
    }

    /// Weights of a frame, [`CELLS`] of them.
    pub(crate) fn of_frame(&self, frame: usize) -> &[f32] {
        &self.weight[frame]
    }

    /// True where a frame is left out because it is predicted to clip.
    #[inline]
    pub(crate) fn clipping(&self, cell: usize) -> bool {
        self.clipping[cell]
    }

    /// Relative systematic uncertainty at a cell.
    #[inline]
    pub(crate) fn systematic(&self, cell: usize) -> f32 {
        self.systematic[cell]
    }

    /// Frame with the largest weight at a cell.
    #[inline]
    pub(crate) fn leader(&self, cell: usize) -> u8 {
        self.leader[cell]
    }
}

fn position_by(frames: &[FrameLight], better: fn(&FrameLight, &FrameLight) -> bool) -> usize {
    (1..frames.len()).fold(0, |best, j| {
        if better(&frames[j], &frames[best]) {
            j
        } else {
            best
        }
    })
}

/// `k^2 / v(x)` where the frame is usable at this radiance. The shortest frame is never left out for clipping, nor the
/// longest for darkness: there is nothing to put in their place.
fn frame_weight(
    curve: &ResponseCurve,
    noise: &NoiseModel,
    frame: &FrameLight,
    radiance: f64,
    top: f64,
    (shortest, longest): (bool, bool),
) -> f64 {
    let x = radiance * frame.factor;
    let deviation = deviation(curve, noise, frame, x);
    if !shortest && x + 3.0 * deviation > top {
        return 0.0;
    }
    let level = curve.level_of(x);
    // At the black end a rounded, rectified level says little of the light: two codes are the usual margin.
    if !longest && level < curve.floor_level + 2.0 / 255.0 && curve.exposure.len() == 256 {
        return 0.0;
    }
    (frame.factor / deviation).powi(2)
}

/// Standard deviation of one pixel at exposure `x` of a frame.
fn deviation(curve: &ResponseCurve, noise: &NoiseModel, frame: &FrameLight, x: f64) -> f64 {
    let level = curve.level_of(x).min(curve.clip_level);
    let slope = curve.slope_at(level) / 255.0;
    noise.variance(x, frame.gain, slope).max(1e-16).sqrt()
}

/// Response errors are common to all pixels of a level and add; ratio errors of the frames are independent.
fn systematic(curve: &ResponseCurve, frames: &[FrameLight], weights: &[f64], radiance: f64) -> f64 {
    let total: f64 = weights.iter().sum();
    if total <= 0.0 {
        return 1.0;
    }
    let (mut response, mut ratio) = (0.0, 0.0);
    for (frame, weight) in frames.iter().zip(weights) {
        let level = curve.level_of(radiance * frame.factor);
        response += weight / total * curve.uncertainty_at(level);
        ratio += (weight / total * frame.uncertainty_stops).powi(2);
    }
    (std::f64::consts::LN_2 * (response * response + ratio).sqrt()).min(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cell_holds_its_own_centre() {
        for index in 0..CELLS {
            assert_eq!(cell(centre(index) as f32), index);
        }
        assert_eq!(cell(0.0), 0);
        assert_eq!(cell(-1.0), 0);
        assert_eq!(cell(f32::INFINITY), CELLS - 1);
    }
}
