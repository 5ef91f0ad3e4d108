//! Radiance of one row of every frame: looked up where the frame lies still, interpolated in linear light where not.
use super::merger::{Merger, Row};
use super::moved::{self, Place};
use super::weights::FrameLight;
use crate::raster::{Pixels, Transform};
use crate::response::ResponseCurve;
use ndarray::Array3;

/// Marks a sample that is clipped in its frame.
pub(super) const CLIPPED: f32 = f32::INFINITY;
/// Marks a place that a frame does not cover.
pub(super) const UNCOVERED: f32 = f32::NAN;
/// Marks a sample that is left out because something moved there; no more than one that is not covered.
pub(super) const LEFT_OUT: f32 = f32::NAN;

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
                    self.sample_moved((row, j), transform, (out, energy))
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

    /// A row of a frame that lies elsewhere.
    fn sample_moved(
        &self,
        (row, j): (usize, usize),
        transform: &Transform,
        (out, energy): (&mut [Vec<f32>], &mut [f32]),
    ) {
        let place = |first| Place {
            row,
            transform,
            first,
        };
        if out.len() == 3 {
            return self.sample_channels::<3>(j, place(0), (out, energy));
        }
        for (c, out) in out.chunks_mut(1).enumerate() {
            self.sample_channels::<1>(j, place(c), (out, energy));
        }
    }

    fn sample_channels<const N: usize>(
        &self,
        j: usize,
        place: Place,
        to: (&mut [Vec<f32>], &mut [f32]),
    ) {
        let channels = &self.channels[place.first..place.first + N];
        let tables: [&[f32]; N] =
            std::array::from_fn(|c| channels[c].tables[j].radiance.as_slice());
        match &self.bracket.frames[j].picture.pixels {
            Pixels::U8(a) => {
                let tables: [&[f32; 256]; N] =
                    tables.map(|t| t.try_into().unwrap_or(&[CLIPPED; 256]));
                moved::read::<u8, N>(a, place, |c, code| tables[c][usize::from(code)], to);
            }
            Pixels::U16(a) => {
                moved::read::<u16, N>(a, place, |c, code| tables[c][usize::from(code)], to);
            }
            Pixels::F32(a) => {
                moved::read::<f32, N>(a, place, |c, level| channels[c].float(j, level), to);
            }
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
