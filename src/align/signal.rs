//! Luma of frames for registration: reduced planes, ranks that do not depend on exposure, and pyramids.
use ndarray::{Array2, Array3};
use rayon::prelude::*;
use stopspan_core::raster::{Pixels, Work, dispatch_simd, reduce};

/// Maximum longer side of the small luma plane, pixels.
const SMALL_SIDE: usize = 640;
/// Number of bins of the histogram from which ranks are computed.
const BINS: usize = 1024;
/// Level, 0..=1, from which a sample may be clipped, with an allowance for JPEG ringing near clipped areas.
pub(super) const CLIPPED: f32 = 250.0 / 255.0;
/// Level, 0..=1, up to which luma is crushed to black or lost in JPEG quantisation.
pub(super) const CRUSHED: f32 = 3.0 / 255.0;
/// Minimum share of ranks, 0..=1, neither clipped nor crushed in either frame. Only an early exit; the tiles decide.
const MIN_SHARED_RANKS: f32 = 0.01;

/// Luma of one pixel and the largest of its samples, levels 0..=1. Luma is `0.299 R + 0.587 G + 0.114 B` of the encoded samples
/// (ITU-R BT.601), the component that JPEG stores at full resolution.
#[inline]
fn luma_and_peak(pixel: [f32; 3]) -> (f32, f32) {
    let [r, g, b] = pixel;
    (0.299 * r + 0.587 * g + 0.114 * b, r.max(g).max(b))
}

/// Level, 0..=1, of each 8-bit code.
static LEVELS_OF_BYTES: [f32; 256] = {
    let mut levels = [0.0; 256];
    let mut code = 0;
    while code < 256 {
        levels[code] = code as f32 / 255.0;
        code += 1;
    }
    levels
};

/// Calls `visit(column, luma, peak)` for the given columns of a row. `luma` and the largest sample `peak` are levels 0..=1.
#[inline]
pub(super) fn visit_row(
    pixels: &Pixels,
    row: usize,
    columns: std::ops::Range<usize>,
    mut visit: impl FnMut(usize, f32, f32),
) {
    fn each<T: Copy>(
        array: &Array3<T>,
        row: usize,
        columns: std::ops::Range<usize>,
        level: impl Fn(T) -> f32,
        visit: &mut impl FnMut(usize, f32, f32),
    ) {
        let channels = array.dim().2;
        let line = array.row_slice(row);
        if let (3, Some(line)) = (channels, line) {
            let samples = &line[3 * columns.start..3 * columns.end];
            for (column, p) in columns.zip(samples.chunks_exact(3)) {
                let (luma, peak) = luma_and_peak([level(p[0]), level(p[1]), level(p[2])]);
                visit(column, luma, peak);
            }
            return;
        }
        for column in columns {
            let at = |k: usize| level(array[[row, column, k.min(channels - 1)]]);
            let (luma, peak) = luma_and_peak([at(0), at(1), at(2)]);
            visit(column, luma, peak);
        }
    }
    match pixels {
        Pixels::U8(a) => each(
            a,
            row,
            columns,
            |v| LEVELS_OF_BYTES[usize::from(v)],
            &mut visit,
        ),
        Pixels::U16(a) => each(a, row, columns, |v| f32::from(v) / 65535.0, &mut visit),
        Pixels::F32(a) => each(a, row, columns, finite_or_zero, &mut visit),
    }
}

/// `v`, or 0 if it is infinite or NaN.
fn finite_or_zero(v: f32) -> f32 {
    if v.is_finite() { v } else { 0.0 }
}

trait RowSlice<T> {
    /// All samples of a row, or `None` if the array is not in standard layout.
    fn row_slice(&self, row: usize) -> Option<&[T]>;
}

impl<T> RowSlice<T> for Array3<T> {
    #[inline]
    fn row_slice(&self, row: usize) -> Option<&[T]> {
        let (_, columns, channels) = self.dim();
        let width = columns * channels;
        self.as_slice().map(|s| &s[row * width..(row + 1) * width])
    }
}

/// Luma of a frame averaged over square blocks.
pub(super) struct Small {
    /// Mean luma in levels 0..=1.
    pub luma: Array2<f32>,
    /// Side of a block in pixels of the frame.
    pub block: usize,
}

impl Small {
    /// Averages over the smallest block that reduces the longer side to at most [`SMALL_SIDE`]. Incomplete blocks at the right and
    /// bottom edges are omitted.
    pub fn new(pixels: &Pixels) -> Self {
        let (rows, columns) = (pixels.rows(), pixels.columns());
        let block = rows.max(columns).div_ceil(SMALL_SIDE).max(1);
        let (small_rows, small_columns) = (rows / block, columns / block);
        let mut luma = Array2::zeros((small_rows, small_columns));
        let scale = 1.0 / (block * block) as f32;
        if let Some(out) = luma.as_slice_mut().filter(|s| !s.is_empty()) {
            out.par_chunks_mut(small_columns)
                .enumerate()
                .for_each(|(r, line)| {
                    let mut sums = vec![0f32; small_columns * block];
                    if !sum_bytes(pixels, r * block..(r + 1) * block, &mut sums) {
                        for row in r * block..(r + 1) * block {
                            visit_row(pixels, row, 0..small_columns * block, |c, luma, _| {
                                sums[c] += luma;
                            });
                        }
                    }
                    for (value, part) in line.iter_mut().zip(sums.chunks_exact(block)) {
                        *value = part.iter().sum::<f32>() * scale;
                    }
                });
        }
        Small { luma, block }
    }
}

/// Sums luma over the given rows (at most 257) per column, for 8-bit RGB: the samples are summed as integers and converted to luma
/// once. Returns false without any effect for other pixels.
fn sum_bytes(pixels: &Pixels, rows: std::ops::Range<usize>, sums: &mut [f32]) -> bool {
    let Pixels::U8(array) = pixels else {
        return false;
    };
    if array.dim().2 != 3 || rows.len() > 257 || array.as_slice().is_none() {
        return false;
    }
    let mut total = vec![0u16; 3 * sums.len()];
    for row in rows {
        dispatch_simd(AddBytes {
            row: array.row_slice(row).unwrap_or(&[]),
            sums: &mut total,
        });
    }
    for (sum, p) in sums.iter_mut().zip(total.chunks_exact(3)) {
        let level = |v: u16| f32::from(v) / 255.0;
        *sum = luma_and_peak([level(p[0]), level(p[1]), level(p[2])]).0;
    }
    true
}

/// Adds a row of bytes to sums per column and channel.
struct AddBytes<'a> {
    row: &'a [u8],
    sums: &'a mut [u16],
}

impl Work for AddBytes<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        for (sum, &v) in self.sums.iter_mut().zip(self.row) {
            *sum += u16::from(v);
        }
    }
}

/// Cumulative distribution of the luma of a plane.
struct Histogram {
    /// Share of the pixels, 0..=1, below each bin's lower bound, `BINS + 1` entries.
    below: Vec<f32>,
}

impl Histogram {
    fn new(luma: &Array2<f32>) -> Self {
        let mut counts = vec![0u32; BINS];
        for &v in luma {
            counts[((v * BINS as f32) as usize).min(BINS - 1)] += 1;
        }
        let total = luma.len().max(1) as f32;
        let mut below = vec![0.0];
        let mut sum = 0;
        for n in counts {
            sum += n;
            below.push(sum as f32 / total);
        }
        Histogram { below }
    }

    /// Share of the pixels, 0..=1, below a level 0..=1, linear within a bin.
    fn share_below(&self, level: f32) -> f32 {
        let position = (level * BINS as f32).clamp(0.0, BINS as f32);
        let index = (position as usize).min(BINS - 1);
        let (a, b) = (self.below[index], self.below[index + 1]);
        a + (position - index as f32) * (b - a)
    }
}

/// Replaces the luma of two frames by ranks (share of darker pixels), limited to the ranks that are neither clipped nor crushed in
/// either frame and rescaled to 0..=1. For the same scene, ranks depend neither on the exposure nor on the response curve. `None` if
/// less than 1 % of the ranks remain.
pub(super) fn ranks(a: &Array2<f32>, b: &Array2<f32>) -> Option<[Array2<f32>; 2]> {
    let (first, second) = (Histogram::new(a), Histogram::new(b));
    let low = first.share_below(CRUSHED).max(second.share_below(CRUSHED));
    let high = first.share_below(CLIPPED).min(second.share_below(CLIPPED));
    if high - low < MIN_SHARED_RANKS {
        return None;
    }
    let rank = |luma: &Array2<f32>, histogram: &Histogram| {
        luma.mapv(|v| ((histogram.share_below(v).clamp(low, high)) - low) / (high - low))
    };
    Some([rank(a, &first), rank(b, &second)])
}

/// Pyramid of a plane, finest level first, reduced while the longer side is above 80 pixels and the shorter above 24.
pub(super) fn pyramid(plane: Array2<f32>) -> Vec<Array2<f32>> {
    let mut levels = vec![plane];
    while let Some(last) = levels.last() {
        let (rows, columns) = last.dim();
        if rows.max(columns) <= 80 || rows.min(columns) <= 24 {
            break;
        }
        levels.push(reduce(last));
    }
    levels
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bytes_are_summed_like_other_pixels() {
        let codes = Array3::from_shape_fn((1300, 700, 3), |(r, c, k)| {
            ((r * 31 + c * 7 + k * 83) % 256) as u8
        });
        let fast = Small::new(&Pixels::U8(codes.clone()));
        let slow = Small::new(&Pixels::F32(codes.mapv(|v| f32::from(v) / 255.0)));
        assert_eq!(fast.luma.dim(), slow.luma.dim());
        for (a, b) in fast.luma.iter().zip(&slow.luma) {
            assert!((a - b).abs() < 1e-5, "{a} {b}");
        }
    }
}
