//! The part of a frame that a tile needs, converted to radiance.
use super::positions::{LANES, TAPS};
use ndarray::Array3;
use std::ops::Range;
use stopspan_core::raster::{Point, Transform};

/// A rectangle of a frame, one plane a channel; beyond the border the outermost pixels are repeated.
#[derive(Default)]
pub(super) struct Window {
    /// First row and column; may be outside the frame.
    top: isize,
    left: isize,
    height: usize,
    pub width: usize,
    /// Rows and columns of the frame.
    pub frame: (usize, usize),
    light: Vec<f32>,
}

impl Window {
    /// Sets the rectangle to all pixels of a frame of `frame` (rows, columns) with weight in a tile, given by rows and
    /// columns of the reference.
    pub fn cover(
        &mut self,
        frame: (usize, usize),
        tile_rows: &Range<usize>,
        tile_columns: &Range<usize>,
        transform: &Transform,
    ) {
        let (rows, columns) = frame;
        let ends = |range: &Range<usize>| [range.start as f64 + 0.5, range.end as f64 - 0.5];
        let corners = ends(tile_rows).map(|y| ends(tile_columns).map(|x| Point { x, y }));
        let corners = corners.as_flattened().iter();
        // If no corner lies beyond the horizon of the transform, no point between them does.
        let corners: Option<Vec<Point>> = corners.map(|p| transform.apply(*p)).collect();
        let along = |of: fn(&Point) -> f64, size: usize| {
            let all = (-1, size as isize + 2);
            corners.as_ref().map_or(all, |corners| {
                let low = corners.iter().map(of).fold(f64::INFINITY, f64::min);
                let high = corners.iter().map(of).fold(f64::NEG_INFINITY, f64::max);
                // From the pixel before the source pixel to the second after it, and a thousandth more for rounding.
                let inside = |v: f64| v.floor().clamp(all.0 as f64, all.1 as f64) as isize;
                (inside(low - 1.501), inside(high + 2.501))
            })
        };
        let (left, right) = along(|p| p.x, columns);
        let (top, bottom) = along(|p| p.y, rows);
        *self = Window {
            top,
            left,
            height: bottom.saturating_sub(top).max(0) as usize,
            width: right.saturating_sub(left).max(0) as usize,
            frame,
            light: std::mem::take(&mut self.light),
        };
    }

    /// Converts the samples of the rectangle by `light(channel)`.
    pub fn fill<T: Copy, L: Fn(T) -> f32>(
        &mut self,
        samples: &Array3<T>,
        light: impl Fn(usize) -> L,
    ) {
        let (rows, columns, channels) = samples.dim();
        let all = samples.as_slice().unwrap_or_default();
        let (size, width) = (self.size(), self.width);
        self.light.resize(channels * size, 0.0);
        if width == 0 {
            return;
        }
        let held = |at: isize, size: usize| at.clamp(0, size as isize - 1) as usize;
        let right = self.left + width as isize - 1;
        let (first, last) = (held(self.left, columns), held(right, columns));
        // Columns of the rectangle inside the frame.
        let before = (first as isize - self.left).clamp(0, width as isize - 1) as usize;
        let end = (before + last - first).min(width - 1);
        for (c, plane) in self.light.chunks_exact_mut(size).enumerate() {
            let light = light(c);
            let lines = plane.chunks_exact_mut(width).take(self.height);
            for (r, line) in lines.enumerate() {
                let row = held(self.top + r as isize, rows) * columns;
                let pixels = &all[(row + first) * channels..(row + last + 1) * channels];
                let inner = line[before..=end].iter_mut();
                match channels {
                    3 => channel_of::<T, 3>(pixels, c, inner, &light),
                    1 => channel_of::<T, 1>(pixels, c, inner, &light),
                    _ => inner
                        .zip(pixels[c..].iter().step_by(channels))
                        .for_each(|(to, &sample)| *to = light(sample)),
                }
                let (left, right) = (line[before], line[end]);
                line[..before].fill(left);
                line[end..].fill(right);
            }
        }
    }

    /// Samples of a channel, with room for lanes beyond the last.
    fn size(&self) -> usize {
        self.width * self.height + LANES + TAPS
    }

    /// The samples, channel by channel.
    #[inline(always)]
    pub fn planes(&self) -> impl Iterator<Item = &[f32]> {
        self.light.chunks_exact(self.size())
    }

    /// Index of the first sample with weight for positions whose source pixel is `pixel` (column, row).
    #[inline(always)]
    pub fn index(&self, pixel: (isize, isize)) -> usize {
        let (column, row) = pixel;
        let (row, column) = (row - 1 - self.top, column - 1 - self.left);
        row as usize * self.width + column as usize
    }
}

/// Converts one channel of pixels with `N` channels.
pub(in super::super) fn channel_of<'a, T: Copy, const N: usize>(
    pixels: &[T],
    channel: usize,
    to: impl Iterator<Item = &'a mut f32>,
    light: impl Fn(T) -> f32,
) {
    let channel = channel.min(N - 1);
    to.zip(pixels.as_chunks::<N>().0)
        .for_each(|(to, pixel)| *to = light(pixel[channel]));
}
