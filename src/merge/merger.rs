//! The merge: inverse-variance mean of radiances over the frames that see a pixel, row by row.
//!
//! The first estimate is the Poisson one, the sum of exposures over the sum of times of unclipped frames (Hanji, Zhong
//! and Mantiuk 2020); weights at that estimate give the variance-optimal mean, which comes within a few per cent of the
//! Cramer-Rao bound (Aguerrebere, Delon, Gousseau and Muse 2014).
use super::map::{RadianceMap, flag};
use super::noise::Noise;
use super::weights::{FrameLight, Weights, cell};
use crate::frames::Bracket;
use crate::raster::{Interpolation, Pixels, Point, Transform};
use crate::response::{Response, ResponseCurve};
use ndarray::{Array2, Array3};
use rayon::prelude::*;
use std::ops::Range;

/// Marks a sample that is clipped in its frame.
const CLIPPED: f32 = f32::INFINITY;
/// Marks a place that a frame does not cover.
const UNCOVERED: f32 = f32::NAN;
/// How frames that are moved by fractions of a pixel are read, in linear light.
const READING: Interpolation = Interpolation::Cubic;

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
    /// Radiance at each frame's clip level: a lower bound where the frame is clipped.
    bounds: Vec<f32>,
    curve: ResponseCurve,
}

/// Code -> radiance for one frame, `CLIPPED` at the clip level. Empty for float samples, which are computed.
struct Table {
    radiance: Vec<f32>,
}

/// Scratch for one row.
struct Row {
    /// Radiance by frame, interleaved channels as in the picture.
    samples: Vec<Vec<f32>>,
    /// What interpolation leaves of the noise variance, by frame and column; empty where every frame is read as it is.
    energy: Vec<Vec<f32>>,
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
                bounds: frames
                    .iter()
                    .map(|f| (curve.exposure_at(curve.clip_level) / f.factor) as f32)
                    .collect(),
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
            || self.scratch(columns, channels),
            |scratch, ((((radiance, statistical), systematic), flags), row)| {
                self.sample(row, scratch);
                for channel in 0..channels {
                    let out = (&mut *radiance, &mut *statistical, &mut *systematic);
                    self.channel_row(channel, scratch, out, flags);
                }
            },
        );
        map
    }

    fn scratch(&self, columns: usize, channels: usize) -> Row {
        let frames = self.bracket.frames.len();
        let moved = self.bracket.frames.iter().any(|f| f.transform.is_some());
        Row {
            samples: vec![vec![0.0; columns * channels]; frames],
            energy: if moved {
                vec![vec![1.0; columns]; frames]
            } else {
                Vec::new()
            },
        }
    }

    /// Radiance of one row of every frame.
    fn sample(&self, row: usize, scratch: &mut Row) {
        for (j, frame) in self.bracket.frames.iter().enumerate() {
            let out = &mut scratch.samples[j];
            match (&frame.transform, scratch.energy.get_mut(j)) {
                (Some(transform), Some(energy)) => {
                    self.sample_moved(row, j, transform, (out, energy))
                }
                _ => self.sample_still(row, j, out),
            }
        }
    }

    fn sample_still(&self, row: usize, j: usize, out: &mut [f32]) {
        let channels = self.channels.len();
        let table = |c: usize, code: usize| self.channels[c].tables[j].radiance[code];
        match &self.bracket.frames[j].picture.pixels {
            Pixels::U8(a) => look_up(a.row_slice(row), out, channels, |c, v| {
                table(c, usize::from(v))
            }),
            Pixels::U16(a) => look_up(a.row_slice(row), out, channels, |c, v| {
                table(c, usize::from(v))
            }),
            Pixels::F32(a) => look_up(a.row_slice(row), out, channels, |c, v| {
                self.channels[c].float(j, v)
            }),
        }
    }

    /// A row of a frame that lies elsewhere: interpolated in linear light. Clipped where a pixel taking part is.
    fn sample_moved(
        &self,
        row: usize,
        j: usize,
        transform: &Transform,
        (out, energy): (&mut [f32], &mut [f32]),
    ) {
        let channels = self.channels.len();
        let (rows, columns, _) = self.dim();
        for (column, (out, energy)) in out.chunks_exact_mut(channels).zip(energy).enumerate() {
            let at = transform.apply(Point {
                x: column as f64 + 0.5,
                y: row as f64 + 0.5,
            });
            out.fill(UNCOVERED);
            *energy = 1.0;
            let Some(at) = at else { continue };
            if !(at.x >= 0.5
                && at.y >= 0.5
                && at.x <= columns as f64 - 0.5
                && at.y <= rows as f64 - 0.5)
            {
                continue;
            }
            let (across, down) = (READING.taps(at.x), READING.taps(at.y));
            *energy = across.energy() * down.energy();
            out.fill(0.0);
            for (i, &wy) in down.weights().iter().enumerate() {
                // At the border the outermost pixels are repeated.
                let r = (down.first + i as isize).clamp(0, rows as isize - 1) as usize;
                for (k, &wx) in across.weights().iter().enumerate() {
                    let weight = wx * wy;
                    if weight != 0.0 {
                        let c = (across.first + k as isize).clamp(0, columns as isize - 1) as usize;
                        self.add(j, (r, c), weight, out);
                    }
                }
            }
        }
    }

    /// Adds a pixel's radiance with a weight; a clipped pixel makes the sum clipped, whatever the weight's sign.
    #[inline]
    fn add(&self, j: usize, (row, column): (usize, usize), weight: f32, out: &mut [f32]) {
        for (channel, sum) in out.iter_mut().enumerate() {
            let this = &self.channels[channel];
            let value = match &self.bracket.frames[j].picture.pixels {
                Pixels::U8(a) => this.tables[j].radiance[usize::from(a[[row, column, channel]])],
                Pixels::U16(a) => this.tables[j].radiance[usize::from(a[[row, column, channel]])],
                Pixels::F32(a) => this.float(j, a[[row, column, channel]]),
            };
            *sum = if value < CLIPPED && *sum < CLIPPED {
                *sum + weight * value
            } else {
                CLIPPED
            };
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
            let samples = (0..frames).map(|j| scratch.samples[j][i]);
            let merged = if scratch.energy.is_empty() {
                this.merge_pixel(samples, |_| 1.0)
            } else {
                this.merge_pixel(samples, |j| scratch.energy[j][column])
            };
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
    fn merge_pixel(
        &self,
        samples: impl Iterator<Item = f32> + Clone,
        energy: impl Fn(usize) -> f32,
    ) -> Merged {
        let (mut light, mut time, mut clipped) = (0.0f32, 0.0f32, 0u16);
        for (sample, factor) in samples.clone().zip(&self.factors) {
            if sample < CLIPPED {
                light += sample * factor;
                time += factor;
            } else if !sample.is_nan() {
                clipped = flag::CLIPPED_IN_SOME;
            }
        }
        if time == 0.0 {
            return self.all_clipped(samples);
        }
        let place = cell(light / time);
        let weights = self.weights.at(place);
        let (mut sum, mut total, mut used) = (0.0f32, 0.0f32, 0u32);
        for (j, (sample, &weight)) in samples.clone().zip(weights).enumerate() {
            if sample < CLIPPED && weight > 0.0 {
                let weight = weight / energy(j);
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
        if samples.clone().filter(|s| s.is_nan()).count() + 1 == weights.len() {
            flags |= flag::UNCOVERED;
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

    /// The true value lies anywhere above the highest bound: its own size stands for the uncertainty.
    #[cold]
    fn all_clipped(&self, samples: impl Iterator<Item = f32>) -> Merged {
        let bound = samples
            .zip(&self.bounds)
            .filter(|(s, _)| !s.is_nan())
            .map(|(_, b)| *b)
            .fold(0.0, f32::max);
        Merged {
            radiance: bound,
            statistical: bound,
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
