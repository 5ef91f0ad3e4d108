//! Tables of the merge: weights, systematic uncertainty and the leading frame, all functions of scene radiance alone.
//!
//! A weight taken at the *observed* value is correlated with its error and biases the mean. These are taken at the value
//! predicted from all frames, and a frame is excluded where its prediction plus three standard deviations reaches the clip
//! level, whatever its own sample is.
use stopspan_core::model::Bracket;
use stopspan_core::model::NoiseModel;
use stopspan_core::model::ResponseCurve;

/// 8-bit codes above the floor from which frames are used: rounding and rectification make levels nearer to it unreliable.
pub(crate) const MARGIN: f64 = 2.0;
/// Table cells per octave of radiance (a power of two, so that a cell is read off a float's bits).
const CELLS_PER_OCTAVE: usize = 16;
/// 2^-24 to 2^12 of the reference frame's clip level.
const LOWEST_OCTAVE: i32 = -24;
const OCTAVES: usize = 36;
/// Number of cells.
pub(crate) const CELLS: usize = CELLS_PER_OCTAVE * OCTAVES;

/// Exposure and sensitivity of one frame in one channel.
#[derive(Debug, Clone, Copy)]
pub(crate) struct FrameLight {
    /// Exposure relative to the reference.
    pub factor: f64,
    /// Sensitivity relative to the reference.
    pub gain: f64,
    /// Standard uncertainty of log2 exposure relative to the reference, stops.
    pub uncertainty_stops: f64,
}

impl FrameLight {
    /// Of frame `index` of a bracket, in one channel.
    pub(crate) fn of(bracket: &Bracket, index: usize, channel: usize) -> Self {
        let balance = bracket.frames[index].balance.get(channel);
        let used = |i: usize| bracket.frames[i].exposure.used;
        let uncertainty = if index == bracket.reference {
            0.0
        } else {
            used(index)
                .standard_uncertainty
                .hypot(used(bracket.reference).standard_uncertainty)
        };
        FrameLight {
            factor: bracket.channel_exposure(index, channel),
            gain: bracket.gain(index),
            uncertainty_stops: uncertainty.hypot(balance.map_or(0.0, |b| b.standard_uncertainty)),
        }
    }
}

/// A table by cell, with room for any ten-bit index, so that a look-up needs no bounds check.
#[derive(Debug, Clone)]
pub(crate) struct ByCell<T>(Box<[T; ROOM]>);

const ROOM: usize = 1024;
const _: () = assert!(CELLS <= ROOM);

impl<T: Copy + Default> ByCell<T> {
    pub(crate) fn new(of: impl Fn(usize) -> T) -> Self {
        let mut out = Box::new([T::default(); ROOM]);
        out.iter_mut()
            .take(CELLS)
            .enumerate()
            .for_each(|(cell, value)| *value = of(cell));
        ByCell(out)
    }

    /// The entry of a cell.
    #[inline(always)]
    pub(crate) fn at(&self, cell: u16) -> T {
        self.0[usize::from(cell) % ROOM]
    }
}

/// Number of frames whose weights are looked up together.
pub(crate) const GROUP: usize = 3;

/// Weights of one channel, by cell.
#[derive(Debug, Clone)]
pub(crate) struct Weights {
    /// By group of frames: inverse variances of radiance, 0 where a frame is excluded or there is none. The last entry of the
    /// first group is the relative systematic standard uncertainty if every frame with a weight contributes, negative where a
    /// frame is predicted to clip; that of other groups is 0.
    groups: Vec<ByCell<[f32; GROUP + 1]>>,
    /// By frame: standard uncertainty of log2 exposure from the response, stops.
    response: Vec<ByCell<f32>>,
    /// By frame: standard uncertainty of the frame's log2 exposure, stops.
    ratio: Vec<f32>,
    /// Frame with the largest weight.
    leader: ByCell<u8>,
}

/// The cell of a radiance: its exponent and first four mantissa bits.
#[inline(always)]
pub(crate) fn cell(radiance: f32) -> usize {
    const SHIFT: u32 = 23 - CELLS_PER_OCTAVE.trailing_zeros();
    let bits = (radiance.max(0.0).to_bits() >> SHIFT) as i32;
    let first = (127 + LOWEST_OCTAVE) << CELLS_PER_OCTAVE.trailing_zeros();
    (bits - first).clamp(0, CELLS as i32 - 1) as usize
}

/// The radiance in the middle of a cell.
pub(crate) fn centre(cell: usize) -> f64 {
    let octave = (cell / CELLS_PER_OCTAVE) as i32 + LOWEST_OCTAVE;
    let within = (cell % CELLS_PER_OCTAVE) as f64 + 0.5;
    f64::from(octave).exp2() * (1.0 + within / CELLS_PER_OCTAVE as f64)
}

impl Weights {
    /// Tables of one channel, from its response, its noise model and the exposures of its frames.
    pub(crate) fn new(curve: &ResponseCurve, noise: &NoiseModel, frames: &[FrameLight]) -> Self {
        let shortest = position_by(frames, |a, b| a.factor < b.factor);
        let longest = position_by(frames, |a, b| a.factor > b.factor);
        let top = curve.exposure_at(curve.clip_level);
        let of_cell = |cell: usize| -> Vec<f64> {
            let weight = |(j, frame)| {
                let indispensable = Indispensable {
                    at_clip: j == shortest,
                    in_dark: j == longest,
                };
                frame_weight(curve, noise, frame, centre(cell), indispensable)
            };
            frames.iter().enumerate().map(weight).collect()
        };
        let weights: Vec<Vec<f64>> = (0..CELLS).map(of_cell).collect();
        let reaches = |cell: usize, f: &FrameLight| {
            let x = centre(cell) * f.factor;
            x + 3.0 * deviation(curve, noise, f, x) > top
        };
        let beside = |cell: usize| {
            let systematic = systematic(curve, frames, &weights[cell], centre(cell)) as f32;
            if frames.iter().any(|f| reaches(cell, f)) {
                -systematic
            } else {
                systematic
            }
        };
        let group = |first: usize| {
            ByCell::new(|cell| {
                let weight = |k: usize| weights[cell].get(first + k).map_or(0.0, |w| *w as f32);
                let extra = if first == 0 { beside(cell) } else { 0.0 };
                std::array::from_fn(|k| if k < GROUP { weight(k) } else { extra })
            })
        };
        Weights {
            groups: (0..frames.len()).step_by(GROUP).map(group).collect(),
            response: frames
                .iter()
                .map(|f| {
                    let level = |cell| curve.level_of(centre(cell) * f.factor);
                    ByCell::new(|cell| curve.uncertainty_at(level(cell)) as f32)
                })
                .collect(),
            ratio: frames.iter().map(|f| f.uncertainty_stops as f32).collect(),
            leader: ByCell::new(|cell| heaviest(&weights[cell])),
        }
    }

    /// Table of a group of frames: their weights, then the signed systematic uncertainty.
    #[inline(always)]
    pub(crate) fn group(&self, group: usize) -> &ByCell<[f32; GROUP + 1]> {
        &self.groups[group]
    }

    /// Weight of a frame at a cell.
    pub(crate) fn at(&self, frame: usize, cell: u16) -> f32 {
        self.groups[frame / GROUP].at(cell)[frame % GROUP]
    }

    /// Relative systematic uncertainty at a cell if only `frames` contribute; `None` if none of them has a weight.
    pub(crate) fn systematic_of(
        &self,
        cell: u16,
        frames: impl Iterator<Item = usize>,
    ) -> Option<f32> {
        let (mut total, mut response, mut ratio) = (0.0f32, 0.0f32, 0.0f32);
        for j in frames {
            let weight = self.at(j, cell);
            total += weight;
            response += weight * self.response[j].at(cell);
            ratio += (weight * self.ratio[j]).powi(2);
        }
        let stops = (response * response + ratio).sqrt() / total;
        (total > 0.0).then(|| (std::f32::consts::LN_2 * stops).min(1.0))
    }

    /// Frame with the largest weight at a cell.
    #[inline]
    pub(crate) fn leader(&self, cell: u16) -> u8 {
        self.leader.at(cell)
    }
}

/// Weights of the first estimate of radiance, one a frame.
///
/// A sum of exposures over a sum of times weights frames by time alone. In the dark the noise of short frames then raises
/// their own weights and biases the mean (0.02 electrons for three frames 2 EV apart with 4 electrons of read noise).
/// Weights at one radiance, where shot noise equals read noise in the longest frame, leave a tenth of that bias. 8-bit
/// samples are rounded and clipped in the dark, so their read noise is not known there: their weights are the times.
pub(crate) fn first_weights(
    curve: &ResponseCurve,
    noise: &NoiseModel,
    frames: &[FrameLight],
) -> Vec<f32> {
    let longest = position_by(frames, |a, b| a.factor > b.factor);
    let dark = frames.get(longest).map_or(0.0, |f| {
        (deviation(curve, noise, f, 0.0) / f.factor).powi(2) * f.factor / (noise.shot * f.gain)
    });
    let deep = curve.exposure.len() != 256 && dark.is_finite();
    let weight = |f: &FrameLight| {
        let deviation = deviation(curve, noise, f, dark * f.factor);
        (f.factor / deviation).powi(2) as f32
    };
    let by_time = |f: &FrameLight| f.factor as f32;
    if deep {
        frames.iter().map(weight).collect()
    } else {
        frames.iter().map(by_time).collect()
    }
}

/// Standard deviations of the radiance of one pixel in the dark, one a frame.
pub(crate) fn dark_deviations(
    curve: &ResponseCurve,
    noise: &NoiseModel,
    frames: &[FrameLight],
) -> Vec<f32> {
    let dark = |f: &FrameLight| (deviation(curve, noise, f, 0.0) / f.factor) as f32;
    frames.iter().map(dark).collect()
}

/// The first frame with the largest weight.
fn heaviest(weights: &[f64]) -> u8 {
    let better = |best, j| if weights[j] > weights[best] { j } else { best };
    (0..weights.len()).fold(0, better).min(255) as u8
}

/// Index of the first frame that no other is better than.
fn position_by(frames: &[FrameLight], better: fn(&FrameLight, &FrameLight) -> bool) -> usize {
    (1..frames.len()).fold(0, |best, j| {
        if better(&frames[j], &frames[best]) {
            j
        } else {
            best
        }
    })
}

/// Whether a frame is kept where it clips (the shortest, for nothing could replace it) or is dark (the longest).
#[derive(Clone, Copy)]
struct Indispensable {
    at_clip: bool,
    in_dark: bool,
}

/// `k^2 / v(x)` with exposure k and variance v where the frame is usable at this radiance, else 0.
fn frame_weight(
    curve: &ResponseCurve,
    noise: &NoiseModel,
    frame: &FrameLight,
    radiance: f64,
    indispensable: Indispensable,
) -> f64 {
    let top = curve.exposure_at(curve.clip_level);
    let x = radiance * frame.factor;
    let deviation = deviation(curve, noise, frame, x);
    if !indispensable.at_clip && x + 3.0 * deviation > top {
        return 0.0;
    }
    let level = curve.level_of(x);
    if !indispensable.in_dark
        && level < curve.floor_level + MARGIN / 255.0
        && curve.exposure.len() == 256
    {
        return 0.0;
    }
    // Samples of more than 8 bits are rectified at the floor, which biases means within three deviations of it. Raw samples,
    // whose black level is above the floor, are never that near.
    let reach = 3.0 * deviation / curve.slope_at(level);
    if !indispensable.in_dark && level - reach < curve.floor_level && curve.exposure.len() != 256 {
        return 0.0;
    }
    (frame.factor / deviation).powi(2)
}

/// Standard deviation of the exposure of one pixel at exposure `x` of a frame.
fn deviation(curve: &ResponseCurve, noise: &NoiseModel, frame: &FrameLight, x: f64) -> f64 {
    let level = curve.level_of(x).min(curve.clip_level);
    let slope = curve.slope_at(level) / 255.0;
    noise.variance(x, frame.gain, slope).max(1e-16).sqrt()
}

/// Relative systematic uncertainty: response errors are common to all frames and add linearly, errors of the exposure ratios
/// are independent and add in quadrature.
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
