//! Calibration of the noise model on the pixels of the bracket itself: medians of squared differences by level.
//!
//! Compression correlates neighbouring pixels, responses are slightly wrong, sensors alias. The median squared difference
//! of two frames over the model's variance measures the sum of these effects. Up to half of the pixels may have moved
//! before the median is affected, and it is bounded, so that motion does not raise the limits that it is judged by.
use super::compare::{Pair, clipped, near_clipped};
use super::squares::gradient;
use super::view::{ChannelRows, View};
use rayon::prelude::*;

/// Median of chi-square with one degree of freedom.
const MEDIAN: f32 = 0.454_94;
/// Number of bins of radiance, a quarter of an octave each.
const LEVELS: usize = 96;
/// Largest correction of the ratio of radiances at a level, relative.
const MOST_RATIO_ERROR: f32 = 0.05;
/// 90 % point of chi-square with one degree of freedom.
const NINE_TENTHS: f32 = 2.705_5;
/// Bounds on the factor on the model's variance. It is never below 1: compression flattens most of a uniform area and
/// leaves isolated errors in it.
const SCALE: (f32, f32) = (1.0, 12.0);
/// Bounds on the position error left by registration, sampling and compression, pixels.
const RESIDUAL: (f32, f32) = (0.05, 0.5);
/// Approximate number of blocks used, in whole rows.
const BLOCKS: usize = 50_000;
/// Least number of blocks in a bin that is used.
const ENOUGH: usize = 100;

/// Calibration of one pair of frames.
#[derive(Debug, Clone)]
pub(super) struct Calibration {
    /// By channel and level.
    levels: Vec<[LevelCalibration; LEVELS]>,
    /// By channel: mean square position error, pixels^2.
    squared_residual: Vec<f32>,
}

/// Calibration of one pair at one level.
#[derive(Debug, Clone, Copy)]
struct LevelCalibration {
    /// Radiance of the frame over that of the base.
    ratio: f32,
    /// Factor on the model's variance, within [`SCALE`].
    scale: f32,
}

impl Calibration {
    /// Expected radiance of the frame, and factor on the model's variance, for the radiances of the base in channel `c`.
    #[inline(always)]
    pub(super) fn expect(&self, c: usize, base: &[f32], expected: &mut [f32], scale: &mut [f32]) {
        let levels = &self.levels[c];
        for ((&x, expected), scale) in base.iter().zip(expected).zip(scale) {
            let this = levels[level(x)];
            (*expected, *scale) = (this.ratio * x, this.scale);
        }
    }

    /// Mean square position error in channel `c`, pixels^2.
    pub(super) fn squared_residual(&self, c: usize) -> f32 {
        self.squared_residual[c]
    }
}

/// Bin of a radiance: its quarter octave, counted from 2^-18 of the reference's clip level.
#[inline]
fn level(radiance: f32) -> usize {
    let quarter = (radiance.max(0.0).to_bits() >> 21) as i32 - ((127 - 18) << 2);
    quarter.clamp(0, LEVELS as i32 - 1) as usize
}

/// One block that is neither black nor clipped in either frame.
#[derive(Clone, Copy)]
struct Sample {
    /// Radiance in the frame.
    frame: f32,
    /// Radiance in the base.
    base: f32,
    /// Variance of their difference by the model.
    variance: f32,
    /// Squared gradient of the base, radiance^2 per pixel^2.
    texture: f32,
}

impl Sample {
    /// Squared difference of the frame from `ratio` times the base.
    fn square(&self, ratio: f32) -> f32 {
        (self.frame - ratio * self.base).powi(2)
    }
}

/// Calibrations of all pairs, in their order.
pub(super) fn measure(views: &[View], reference: usize, pairs: &[Pair]) -> Vec<Calibration> {
    let (down, across) = views[reference].dim();
    let step = (down * across / BLOCKS).max(1);
    let rows: Vec<usize> = (1..down - 1).step_by(step).collect();
    let read: Vec<Vec<Vec<Sample>>> = rows
        .into_par_iter()
        .map(|row| sample_row(views, pairs, row))
        .collect();
    let channels = views[reference].channels();
    let registration_residual = |pair: &Pair| {
        let of = |frame: usize| views[frame].registration_residual();
        of(pair.frame).max(of(pair.base))
    };
    let units = |k: usize| {
        let samples: Vec<Sample> = read.iter().flat_map(|row| &row[k]).copied().collect();
        let levels = calibrate(&samples);
        let least = registration_residual(&pairs[k / channels]);
        (
            levels,
            squared_residual(&samples, &levels).max(least * least),
        )
    };
    let units: Vec<_> = (0..pairs.len() * channels)
        .into_par_iter()
        .map(units)
        .collect();
    let of_pair = |units: &[([LevelCalibration; LEVELS], f32)]| {
        let (levels, squared_residual) = units.iter().copied().unzip();
        Calibration {
            levels,
            squared_residual,
        }
    };
    units.chunks_exact(channels).map(of_pair).collect()
}

/// The samples of one row of blocks, by channel within pair.
fn sample_row(views: &[View], pairs: &[Pair], row: usize) -> Vec<Vec<Sample>> {
    let lines: Vec<[ChannelRows; 3]> = views
        .iter()
        .map(|view| {
            [row - 1, row, row + 1].map(|r| {
                let mut line = view.empty_rows();
                view.read(r, &mut line);
                line
            })
        })
        .collect();
    let near: Vec<Vec<f32>> = lines.iter().map(near_clipping).collect();
    let of_pair = |pair: &Pair| {
        let (frame, base) = (&lines[pair.frame][1], &lines[pair.base]);
        let sides = near[pair.frame].iter().zip(&near[pair.base]);
        let of_channel = |c: usize| {
            let mut out = Vec::new();
            for (i, (&beside, &beside_base)) in sides.clone().enumerate() {
                let a = frame[c].at(i).near_clipping(beside);
                let b = base[1][c].at(i).near_clipping(beside_base);
                if a.at_least * a.at_most * b.at_least * b.at_most == 1.0 {
                    out.push(Sample {
                        frame: a.radiance,
                        base: b.radiance,
                        variance: a.variance + b.variance,
                        texture: gradient(
                            [0, 1, 2].map(|r| base[r][c].radiance.as_slice()),
                            i,
                            views[0].side(),
                        ),
                    });
                }
            }
            out
        };
        (0..frame.len()).map(of_channel).collect::<Vec<_>>()
    };
    pairs.iter().flat_map(of_pair).collect()
}

/// 1 for blocks of the middle row with a clipped block among their eight neighbours or themselves, else 0.
fn near_clipping(lines: &[ChannelRows; 3]) -> Vec<f32> {
    let across = lines[1][0].radiance.len();
    let marks = [0, 1, 2].map(|r| {
        let mut out = vec![0.0; across];
        clipped(&lines[r], &mut out);
        out
    });
    let mut out = vec![0.0; across];
    near_clipped([&marks[0], &marks[1], &marks[2]], &mut out);
    out
}

/// Ratio and scale by level, from blocks so flat that a position error of half a pixel changes them by no more than noise.
fn calibrate(samples: &[Sample]) -> [LevelCalibration; LEVELS] {
    let flat = |s: &&Sample| s.texture * RESIDUAL.1 * RESIDUAL.1 < 9.0 * s.variance;
    let mut bins: Vec<Vec<Sample>> = vec![Vec::new(); LEVELS];
    for s in samples.iter().filter(flat) {
        bins[level(s.base)].push(*s);
    }
    let all: Vec<Sample> = bins.iter().flatten().copied().collect();
    let fallback = LevelCalibration {
        ratio: 1.0,
        scale: scale(&all, 1.0).unwrap_or(1.0),
    };
    let mut out = [fallback; LEVELS];
    for (this, bin) in out.iter_mut().zip(&bins) {
        let mut ratios: Vec<f32> = bin.iter().map(|s| s.frame / s.base).collect();
        if let Some(ratio) = median(&mut ratios) {
            let ratio = ratio.clamp(1.0 - MOST_RATIO_ERROR, 1.0 + MOST_RATIO_ERROR);
            let scale = scale(bin, ratio).unwrap_or(1.0);
            *this = LevelCalibration { ratio, scale };
        }
    }
    out
}

/// Squared differences over the model's variance, by their median and their 90 % point, whichever is larger; `None` with
/// fewer than [`ENOUGH`] samples.
fn scale(samples: &[Sample], ratio: f32) -> Option<f32> {
    let squares = samples.iter().map(|s| s.square(ratio) / s.variance);
    let mut squares: Vec<f32> = squares.collect();
    let median = median(&mut squares)? / MEDIAN;
    let place = squares.len() * 9 / 10;
    let tail = *squares.select_nth_unstable_by(place, f32::total_cmp).1 / NINE_TENTHS;
    Some(median.max(tail).clamp(SCALE.0, SCALE.1))
}

/// Mean square position error, pixels^2, from blocks whose texture is well above the noise.
fn squared_residual(samples: &[Sample], levels: &[LevelCalibration; LEVELS]) -> f32 {
    let of = |s: &Sample| {
        let this = levels[level(s.base)];
        let noise = s.variance * this.scale;
        (s.texture * 0.01 > noise).then(|| (s.square(this.ratio) / MEDIAN - noise) / s.texture)
    };
    let mut found: Vec<f32> = samples.iter().filter_map(of).collect();
    median(&mut found).map_or(RESIDUAL.0 * RESIDUAL.0, |m| {
        m.clamp(RESIDUAL.0 * RESIDUAL.0, RESIDUAL.1 * RESIDUAL.1)
    })
}

/// The median; `None` of fewer than [`ENOUGH`] values.
fn median(values: &mut [f32]) -> Option<f32> {
    if values.len() < ENOUGH {
        return None;
    }
    let middle = values.len() / 2;
    Some(*values.select_nth_unstable_by(middle, f32::total_cmp).1)
}
