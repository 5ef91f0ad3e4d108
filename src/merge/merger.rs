//! The merge: inverse-variance mean of radiances over the frames that see a pixel, row by row.
//!
//! The first estimate is the Poisson one, the sum of exposures over the sum of times of unclipped frames (Hanji, Zhong
//! and Mantiuk 2020); weights at that estimate give the variance-optimal mean, which comes within a few per cent of the
//! Cramer-Rao bound (Aguerrebere, Delon, Gousseau and Muse 2014).
use super::map::{RadianceMap, flag};
use super::noise::Noise;
use super::weights::{FrameLight, Weights, cell};
use crate::frames::Bracket;
use crate::raster::Pixels;
use crate::response::{Response, ResponseCurve};
use ndarray::{Array2, Array3};
use rayon::prelude::*;
use std::ops::Range;

/// Marks a sample that is clipped in its frame.
const CLIPPED: f32 = f32::INFINITY;

/// Everything a merge of one bracket needs, ready to give any rows of the map. Rows do not depend on each other, nor on
/// the number of threads.
pub struct Merger<'a> {
    bracket: &'a Bracket,
    channels: Vec<Channel>,
}

struct Channel {
    /// By frame.
    tables: Vec<Table>,
    factors: Vec<f32>,
    weights: Weights,
    /// Lower bound of radiance where every frame is clipped.
    bound: f32,
    curve: ResponseCurve,
}

/// Code -> radiance for one frame, `CLIPPED` at the clip level. Empty for float samples, which are computed.
struct Table {
    radiance: Vec<f32>,
}

/// Scratch for one row.
struct Row {
    /// Radiance by frame, frame-major, interleaved channels as in the picture.
    samples: Vec<Vec<f32>>,
}

impl<'a> Merger<'a> {
    /// Prepares the tables. `response` and `noise` have one entry a channel of the frames.
    pub fn new(bracket: &'a Bracket, response: &Response, noise: &Noise) -> Self {
        let frames: Vec<FrameLight> = (0..bracket.frames.len())
            .map(|j| light(bracket, j))
            .collect();
        let channels = response
            .curves
            .iter()
            .zip(&noise.channels)
            .map(|(curve, noise)| Channel {
                tables: frames
                    .iter()
                    .zip(&bracket.frames)
                    .map(|(f, frame)| table(&frame.picture.pixels, curve, f))
                    .collect(),
                factors: frames.iter().map(|f| f.factor as f32).collect(),
                weights: Weights::new(curve, noise, &frames),
                bound: frames
                    .iter()
                    .map(|f| curve.exposure_at(curve.clip_level) / f.factor)
                    .fold(0.0, f64::max) as f32,
                curve: curve.clone(),
            })
            .collect();
        Merger { bracket, channels }
    }

    /// Rows, columns, channels of the map.
    pub fn dim(&self) -> (usize, usize, usize) {
        self.bracket.frames[self.bracket.reference]
            .picture
            .pixels
            .dim()
    }

    /// The whole map.
    pub fn whole(&self) -> RadianceMap {
        self.rows(0..self.dim().0)
    }

    /// Some rows of the map (a strip of the same width). Panics if the range leaves the picture.
    pub fn rows(&self, range: Range<usize>) -> RadianceMap {
        let (_, columns, channels) = self.dim();
        let shape = (range.len(), columns, channels);
        let mut map = RadianceMap {
            radiance: Array3::zeros(shape),
            statistical: Array3::zeros(shape),
            systematic: Array3::zeros(shape),
            flags: Array2::zeros((range.len(), columns)),
        };
        let width = columns * channels;
        if width == 0 {
            return map;
        }
        let slices = (
            map.radiance.as_slice_mut().unwrap_or_default(),
            map.statistical.as_slice_mut().unwrap_or_default(),
            map.systematic.as_slice_mut().unwrap_or_default(),
            map.flags.as_slice_mut().unwrap_or_default(),
        );
        let rows = slices
            .0
            .par_chunks_mut(width)
            .zip(slices.1.par_chunks_mut(width));
        let rows = rows
            .zip(slices.2.par_chunks_mut(width))
            .zip(slices.3.par_chunks_mut(columns));
        rows.zip(range).for_each_init(
            || Row {
                samples: vec![vec![0.0; width]; self.bracket.frames.len()],
            },
            |scratch, ((((radiance, statistical), systematic), flags), row)| {
                self.sample(row, scratch);
                for channel in 0..channels {
                    self.channel_row(
                        channel,
                        scratch,
                        (&mut *radiance, &mut *statistical, &mut *systematic),
                        flags,
                    );
                }
            },
        );
        map
    }

    /// Radiance of one row of every frame.
    fn sample(&self, row: usize, scratch: &mut Row) {
        let channels = self.channels.len();
        for (j, frame) in self.bracket.frames.iter().enumerate() {
            let out = &mut scratch.samples[j];
            match &frame.picture.pixels {
                Pixels::U8(a) => look_up(a.row_slice(row), out, channels, |c, v| {
                    self.channels[c].tables[j].radiance[usize::from(v)]
                }),
                Pixels::U16(a) => look_up(a.row_slice(row), out, channels, |c, v| {
                    self.channels[c].tables[j].radiance[usize::from(v)]
                }),
                Pixels::F32(a) => look_up(a.row_slice(row), out, channels, |c, v| {
                    self.channels[c].float(j, v)
                }),
            }
        }
    }

    fn channel_row(
        &self,
        channel: usize,
        scratch: &Row,
        (radiance, statistical, systematic): (&mut [f32], &mut [f32], &mut [f32]),
        flags: &mut [u16],
    ) {
        let channels = self.channels.len();
        let main = channels / 2;
        let this = &self.channels[channel];
        let frames = scratch.samples.len();
        for (column, flags) in flags.iter_mut().enumerate() {
            let i = column * channels + channel;
            let merged = this.merge_pixel((0..frames).map(|j| scratch.samples[j][i]));
            radiance[i] = merged.radiance;
            statistical[i] = merged.statistical;
            systematic[i] = merged.systematic;
            *flags |= merged.flags;
            if channel == main {
                *flags |= u16::from(merged.leader) << flag::FRAME_SHIFT;
            }
        }
    }
}

/// One merged sample.
struct Merged {
    radiance: f32,
    statistical: f32,
    systematic: f32,
    flags: u16,
    leader: u8,
}

impl Channel {
    #[inline]
    fn merge_pixel(&self, samples: impl Iterator<Item = f32> + Clone) -> Merged {
        let (mut light, mut time, mut clipped) = (0.0f32, 0.0f32, 0u16);
        for (sample, factor) in samples.clone().zip(&self.factors) {
            if sample < CLIPPED {
                light += sample * factor;
                time += factor;
            } else {
                clipped = flag::CLIPPED_IN_SOME;
            }
        }
        if time == 0.0 {
            return self.all_clipped();
        }
        let place = cell(light / time);
        let weights = self.weights.at(place);
        let (mut sum, mut total, mut used) = (0.0f32, 0.0f32, 0u32);
        for (sample, &weight) in samples.clone().zip(weights) {
            if sample < CLIPPED && weight > 0.0 {
                sum += weight * sample;
                total += weight;
                used += 1;
            }
        }
        if total == 0.0 {
            return self.unexpected(samples, light / time, place);
        }
        let mut flags = clipped;
        if weights.contains(&0.0) {
            flags |= flag::CLIPPED_IN_SOME;
        }
        if used == 1 {
            flags |= flag::ONE_FRAME;
        }
        let (radiance, statistical) = (sum / total, total.sqrt().recip());
        if radiance < statistical {
            flags |= flag::DARK_IN_ALL;
        }
        Merged {
            radiance,
            statistical,
            systematic: self.weights.systematic(place),
            flags,
            leader: self.weights.leader(place),
        }
    }

    fn all_clipped(&self) -> Merged {
        // The true value lies anywhere above the bound: its own size stands for the uncertainty.
        Merged {
            radiance: self.bound,
            statistical: self.bound,
            systematic: 1.0,
            flags: flag::CLIPPED_IN_ALL,
            leader: 0,
        }
    }

    /// Frames disagree so much that none has a weight where the others place the pixel: the unclipped ones are believed.
    #[cold]
    fn unexpected(
        &self,
        samples: impl Iterator<Item = f32>,
        radiance: f32,
        place: usize,
    ) -> Merged {
        let spread = samples
            .filter(|s| *s < CLIPPED)
            .fold(0.0f32, |m, s| m.max((s - radiance).abs()));
        Merged {
            radiance,
            statistical: spread.max(radiance.abs() * 0.1),
            systematic: self.weights.systematic(place),
            flags: flag::CLIPPED_IN_SOME,
            leader: self.weights.leader(place),
        }
    }

    fn float(&self, frame: usize, level: f32) -> f32 {
        let level = f64::from(level);
        if level.is_nan() || level >= self.curve.clip_level {
            return CLIPPED;
        }
        (self.curve.exposure_at(level) / f64::from(self.factors[frame])) as f32
    }
}

fn light(bracket: &Bracket, index: usize) -> FrameLight {
    let used = |i: usize| bracket.frames[i].exposure.used;
    let uncertainty = if index == bracket.reference {
        0.0
    } else {
        used(index)
            .standard_uncertainty
            .hypot(used(bracket.reference).standard_uncertainty)
    };
    FrameLight {
        factor: bracket.relative_exposure(index),
        gain: super::gain(bracket, index),
        uncertainty_stops: uncertainty,
    }
}

fn table(pixels: &Pixels, curve: &ResponseCurve, frame: &FrameLight) -> Table {
    let entries = match pixels {
        Pixels::U8(_) => 256usize,
        Pixels::U16(_) => 65536,
        Pixels::F32(_) => 0,
    };
    let last = entries.saturating_sub(1).max(1) as f64;
    let value = |code: usize| {
        let level = code as f64 / last;
        if level >= curve.clip_level - 1e-9 {
            CLIPPED
        } else {
            (curve.exposure_at(level) / frame.factor) as f32
        }
    };
    Table {
        radiance: (0..entries).map(value).collect(),
    }
}

/// Rows of an array in standard layout as slices.
trait RowSlice<T> {
    fn row_slice(&self, row: usize) -> &[T];
}

impl<T> RowSlice<T> for Array3<T> {
    fn row_slice(&self, row: usize) -> &[T] {
        let (_, columns, channels) = self.dim();
        let width = columns * channels;
        self.as_slice()
            .map_or(&[], |s| &s[row * width..(row + 1) * width])
    }
}

#[inline]
fn look_up<T: Copy>(
    source: &[T],
    out: &mut [f32],
    channels: usize,
    value: impl Fn(usize, T) -> f32,
) {
    for (from, to) in source
        .chunks_exact(channels)
        .zip(out.chunks_exact_mut(channels))
    {
        for c in 0..channels {
            to[c] = value(c, from[c]);
        }
    }
}
