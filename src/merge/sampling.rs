//! Radiance of one row of every frame: looked up where the frame lies still, interpolated in linear light where not.
use super::merger::{Merger, Row};
use super::weights::FrameLight;
use crate::raster::{Interpolation, Pixels, Point, Transform};
use crate::response::ResponseCurve;
use ndarray::Array3;

/// Marks a sample that is clipped in its frame.
pub(super) const CLIPPED: f32 = f32::INFINITY;
/// Marks a place that a frame does not cover.
const UNCOVERED: f32 = f32::NAN;
/// Marks a sample that is left out because something moved there; no more than one that is not covered.
pub(super) const LEFT_OUT: f32 = f32::NAN;
/// How frames that are moved by fractions of a pixel are read, in linear light.
const READING: Interpolation = Interpolation::Cubic;

/// Code -> radiance for one frame, `CLIPPED` at the clip level. Empty for float samples, which are computed.
pub(super) struct Table {
    pub(super) radiance: Vec<f32>,
}

impl Merger<'_> {
    /// Radiance of one row of every frame.
    pub(super) fn sample(&self, row: usize, scratch: &mut Row) {
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

    fn sample_still(&self, row: usize, j: usize, out: &mut [Vec<f32>]) {
        let channels = self.channels.len();
        for (c, (this, out)) in self.channels.iter().zip(out).enumerate() {
            let table = this.tables[j].radiance.as_slice();
            match &self.bracket.frames[j].picture.pixels {
                Pixels::U8(a) => {
                    let codes = a.row_slice(row).iter().skip(c).step_by(channels);
                    let table: &[f32; 256] = table.try_into().unwrap_or(&[CLIPPED; 256]);
                    fill(out, codes.map(|&code| table[usize::from(code)]));
                }
                Pixels::U16(a) => {
                    let codes = a.row_slice(row).iter().skip(c).step_by(channels);
                    fill(out, codes.map(|&code| table[usize::from(code)]));
                }
                Pixels::F32(a) => {
                    let levels = a.row_slice(row).iter().skip(c).step_by(channels);
                    fill(out, levels.map(|&level| this.float(j, level)));
                }
            }
        }
    }

    /// A row of a frame that lies elsewhere: interpolated in linear light. Clipped where a pixel taking part is.
    fn sample_moved(
        &self,
        row: usize,
        j: usize,
        transform: &Transform,
        (out, energy): (&mut [Vec<f32>], &mut [f32]),
    ) {
        let (rows, columns, _) = self.dim();
        for (column, energy) in energy.iter_mut().enumerate() {
            let at = transform.apply(Point {
                x: column as f64 + 0.5,
                y: row as f64 + 0.5,
            });
            out.iter_mut().for_each(|o| o[column] = UNCOVERED);
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
            out.iter_mut().for_each(|o| o[column] = 0.0);
            for (i, &wy) in down.weights().iter().enumerate() {
                // At the border the outermost pixels are repeated.
                let r = (down.first + i as isize).clamp(0, rows as isize - 1) as usize;
                for (k, &wx) in across.weights().iter().enumerate() {
                    let weight = wx * wy;
                    if weight != 0.0 {
                        let c = (across.first + k as isize).clamp(0, columns as isize - 1) as usize;
                        self.add(j, (r, c), weight, out.iter_mut().map(|o| &mut o[column]));
                    }
                }
            }
        }
    }

    /// Adds a pixel's radiance with a weight; a clipped pixel makes the sum clipped, whatever the weight's sign.
    #[inline]
    fn add<'s>(
        &self,
        j: usize,
        (row, column): (usize, usize),
        weight: f32,
        out: impl Iterator<Item = &'s mut f32>,
    ) {
        for (channel, sum) in out.enumerate() {
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
fn fill(out: &mut [f32], values: impl Iterator<Item = f32>) {
    out.iter_mut()
        .zip(values)
        .for_each(|(to, value)| *to = value);
}

/// The table of a frame's codes.
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
