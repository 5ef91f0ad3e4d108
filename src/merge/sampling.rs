//! Radiance of one row of every frame: looked up where a frame has no transform, resampled where it has one.
use super::merger::Merger;
use super::resample::{Resampler, channel_of};
use super::scratch::Scratch;
use super::weights::FrameLight;
use ndarray::Array3;
use std::ops::Range;
use stopspan_core::model::ResponseCurve;
use stopspan_core::raster::{Pixels, Point, Region, Transform};

/// Radiance of a clipped sample.
pub(super) const CLIPPED: f32 = f32::INFINITY;
/// Samples from here on are no values: [`CLIPPED`], or a bound written by [`at_least`]. No radiance comes near it.
pub(super) const NO_VALUE: f32 = (1u64 << 30) as f32;
/// Factor on the bounds that stand in place of a sample.
const BOUND_SCALE: f32 = (1u128 << 80) as f32;
/// Radiance of a pixel that a frame does not cover.
pub(super) const UNCOVERED: f32 = f32::NAN;
/// Distance up to which samples take part in an interpolation, pixels.
const KERNEL_REACH: f64 = 2.0;
/// Radiance of a sample excluded for motion. Same value (NaN) as [`UNCOVERED`].
pub(super) const EXCLUDED: f32 = f32::NAN;

/// The sample of a pixel that is made of clipped and other samples: nothing is known of its radiance but that it is at least `bound`.
pub(super) fn at_least(bound: f32) -> f32 {
    (bound * BOUND_SCALE).max(NO_VALUE)
}

/// The lower bound that a sample from [`NO_VALUE`] on stands for; infinite for [`CLIPPED`].
pub(super) fn bound_of(sample: f32) -> f32 {
    sample / BOUND_SCALE
}

/// Conversion of the codes of one frame to radiance.
pub(super) struct Table {
    /// Radiance by code, [`CLIPPED`] from the clip level on. Empty for float samples, which are computed.
    pub(super) radiance: Vec<f32>,
}

impl Merger<'_> {
    /// Resamples some rows, at most [`super::resample::ROWS`], of every frame with a transform.
    pub(super) fn read_resampled(&self, rows: &Range<usize>, resamplers: &mut [Option<Resampler>]) {
        let frames = self.bracket.frames.iter().zip(resamplers).enumerate();
        for (j, (frame, resampler)) in frames {
            let (Some(transform), Some(resampler)) = (&frame.transform, resampler) else {
                continue;
            };
            let bounds: Vec<f32> = self.channels.iter().map(|c| c.bounds[j]).collect();
            let table = |c: usize| self.channels[c].tables[j].radiance.as_slice();
            match &frame.picture.pixels {
                Pixels::U8(a) => resampler.read(
                    a,
                    rows,
                    transform,
                    (&bounds, |c| {
                        let table: &[f32; 256] = table(c).try_into().unwrap_or(&[CLIPPED; 256]);
                        move |code: u8| table[usize::from(code)]
                    }),
                ),
                Pixels::U16(a) => resampler.read(
                    a,
                    rows,
                    transform,
                    (&bounds, |c| {
                        let table = table(c);
                        move |code: u16| table[usize::from(code)]
                    }),
                ),
                Pixels::F32(a) => resampler.read(
                    a,
                    rows,
                    transform,
                    (&bounds, |c| {
                        let channel = &self.channels[c];
                        move |level: f32| channel.float(j, level)
                    }),
                ),
            }
        }
    }

    /// Writes the radiance of row `row` of every frame to the scratch. `resampled` is its index among the rows that
    /// [`Self::read_resampled`] read; their samples are moved out, not copied.
    pub(super) fn sample(&self, row: usize, resampled: usize, scratch: &mut Scratch) {
        for (j, out) in scratch.samples.iter_mut().enumerate() {
            match scratch.resamplers.get_mut(j) {
                Some(Some(resampler)) => {
                    let line = &mut resampler.lines[resampled];
                    std::mem::swap(out, &mut line.channels);
                    std::mem::swap(&mut scratch.noise_gain[j], &mut line.noise_gain);
                }
                _ => self.sample_unmoved(row, j, out),
            }
            if let Some(inner) = self.bracket.frames[j].covered {
                self.uncover(row, j, inner, out);
            }
        }
    }

    /// Marks the samples of one row that are made of the frame's borders as not covered.
    fn uncover(&self, row: usize, j: usize, inner: Region, out: &mut [Vec<f32>]) {
        let transform = self.bracket.frames[j].transform;
        let (map, reach) = match transform {
            Some(map) => (map, KERNEL_REACH),
            None => (Transform::IDENTITY, 0.5),
        };
        let within = |range: Range<usize>, at: f64| {
            at >= range.start as f64 + reach && at <= range.end as f64 - reach
        };
        for column in 0..out.first().map_or(0, Vec::len) {
            let at = map.apply(Point {
                x: column as f64 + 0.5,
                y: row as f64 + 0.5,
            });
            let seen = |p: Point| within(inner.rows(), p.y) && within(inner.columns(), p.x);
            if !at.is_some_and(seen) {
                out.iter_mut()
                    .for_each(|channel| channel[column] = UNCOVERED);
            }
        }
    }

    /// Radiance of one row of a frame without a transform, by channel.
    fn sample_unmoved(&self, row: usize, j: usize, out: &mut [Vec<f32>]) {
        let channels = self.channels.len();
        for (c, (this, out)) in self.channels.iter().zip(out).enumerate() {
            let table = this.tables[j].radiance.as_slice();
            match &self.bracket.frames[j].picture.pixels {
                Pixels::U8(a) => {
                    let table: &[f32; 256] = table.try_into().unwrap_or(&[CLIPPED; 256]);
                    let light = |code: u8| table[usize::from(code)];
                    fill(out, a.row_slice(row), (c, channels), light);
                }
                Pixels::U16(a) => {
                    let light = |code: u16| table[usize::from(code)];
                    fill(out, a.row_slice(row), (c, channels), light);
                }
                Pixels::F32(a) => {
                    let light = |level: f32| this.float(j, level);
                    fill(out, a.row_slice(row), (c, channels), light);
                }
            }
        }
    }
}

/// Rows of an array in standard layout, as slices of samples.
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

/// Converts one channel of a row of pixels.
#[inline]
fn fill<T: Copy>(
    out: &mut [f32],
    samples: &[T],
    (channel, channels): (usize, usize),
    light: impl Fn(T) -> f32,
) {
    if channels == 3 {
        return channel_of::<T, 3>(samples, channel, out.iter_mut(), light);
    }
    let samples = samples.iter().skip(channel).step_by(channels);
    out.iter_mut()
        .zip(samples)
        .for_each(|(to, &sample)| *to = light(sample));
}

/// The table of one channel of a frame.
pub(super) fn table(pixels: &Pixels, curve: &ResponseCurve, frame: &FrameLight) -> Table {
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
