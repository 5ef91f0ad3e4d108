//! Radiance of one row of every frame: looked up where the frame lies still, interpolated in linear light where not.
use super::merger::Merger;
use super::moved::Strip;
use super::rows::Row;
use super::weights::FrameLight;
use ndarray::Array3;
use std::ops::Range;
use stopspan_core::model::ResponseCurve;
use stopspan_core::raster::Pixels;

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
    /// Reads some rows, at most [`super::moved::ROWS`], of every frame that lies elsewhere.
    pub(super) fn read_moved(&self, rows: &Range<usize>, strips: &mut [Option<Strip>]) {
        let frames = self.bracket.frames.iter().zip(strips).enumerate();
        for (j, (frame, strip)) in frames {
            let (Some(transform), Some(strip)) = (&frame.transform, strip) else {
                continue;
            };
            let place = (rows.clone(), transform);
            let table = |c: usize| self.channels[c].tables[j].radiance.as_slice();
            match &frame.picture.pixels {
                Pixels::U8(a) => strip.read(a, place, |c| {
                    let table: &[f32; 256] = table(c).try_into().unwrap_or(&[CLIPPED; 256]);
                    move |code: u8| table[usize::from(code)]
                }),
                Pixels::U16(a) => strip.read(a, place, |c| {
                    let table = table(c);
                    move |code: u16| table[usize::from(code)]
                }),
                Pixels::F32(a) => strip.read(a, place, |c| {
                    let channel = &self.channels[c];
                    move |level: f32| channel.float(j, level)
                }),
            }
        }
    }

    /// Radiance of one row of every frame; `moved` is its place among those that [`Self::read_moved`] read, which it takes away.
    pub(super) fn sample(&self, (row, moved): (usize, usize), scratch: &mut Row) {
        for (j, out) in scratch.samples.iter_mut().enumerate() {
            match scratch.strips.get_mut(j) {
                Some(Some(strip)) => {
                    let line = &mut strip.lines[moved];
                    std::mem::swap(out, &mut line.channels);
                    std::mem::swap(&mut scratch.energy[j], &mut line.energy);
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
