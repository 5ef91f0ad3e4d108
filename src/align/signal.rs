//! What registration looks at: luma of the frames, small, and made independent of exposure by ranks.
use ndarray::{Array2, Array3};
use rayon::prelude::*;
use stopspan_core::raster::{Pixels, Work, dispatch_simd, reduce};

/// Longest side of the small luma plane, pixels.
const SMALL_SIDE: usize = 640;
/// Levels of the histogram behind the ranks.
const LEVELS: usize = 1024;
/// A sample at or above this level may be clipped; JPEG rings around clipped places.
pub(super) const CLIPPED: f32 = 250.0 / 255.0;
/// Luma at or below this level is crushed, or lost in JPEG's quantisation.
pub(super) const CRUSHED: f32 = 3.0 / 255.0;
/// Share of a frame whose tones must be left: what the tiles then make of it decides, this only saves looking.
const LEAST_SHARED: f32 = 0.01;

/// Luma of one pixel in levels 0..=1: `0.299 R + 0.587 G + 0.114 B` of the encoded samples (ITU-R BT.601), the plane
/// that JPEG keeps at full resolution; and the largest of its samples.
#[inline]
fn luma_and_peak(pixel: [f32; 3]) -> (f32, f32) {
    let [r, g, b] = pixel;
    (0.299 * r + 0.587 * g + 0.114 * b, r.max(g).max(b))
}

/// Level by code.
static LEVELS_OF_BYTES: [f32; 256] = {
    let mut levels = [0.0; 256];
    let mut code = 0;
    while code < 256 {
        levels[code] = code as f32 / 255.0;
        code += 1;
    }
    levels
};

/// Calls `visit(column, luma, peak)` for columns `from..to` of a row, both in levels.
#[inline]
pub(super) fn visit_row(
    pixels: &Pixels,
    row: usize,
    columns: std::ops::Range<usize>,
    mut visit: impl FnMut(usize, f32, f32),
) {
    fn each<T: Copy>(
        array: &Array3<T>,
        (row, columns): (usize, std::ops::Range<usize>),
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
            (row, columns),
            |v| LEVELS_OF_BYTES[usize::from(v)],
            &mut visit,
        ),
        Pixels::U16(a) => each(a, (row, columns), |v| f32::from(v) / 65535.0, &mut visit),
        Pixels::F32(a) => each(a, (row, columns), finite, &mut visit),
    }
}

fn finite(v: f32) -> f32 {
    if v.is_finite() { v } else { 0.0 }
}

trait RowSlice<T> {
    /// All samples of a row, where the array is in standard layout.
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

/// A frame's luma averaged over blocks.
pub(super) struct Small {
    /// Mean luma in levels 0..=1.
    pub luma: Array2<f32>,
    /// Side of a block in pixels of the frame.
    pub block: usize,
}

impl Small {
    /// Averages whole blocks (a remainder at the right and bottom edge is left out).
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

/// Sums of luma down the given rows (at most 257), for the usual case of 8-bit RGB: the samples are summed as whole
/// numbers and made luma once. False, and nothing done, for other pixels.
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

/// A row of bytes added to those above it.
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

struct Histogram {
    /// Share of the plane below each level, `LEVELS + 1` entries.
    below: Vec<f32>,
}

impl Histogram {
    fn new(luma: &Array2<f32>) -> Self {
        let mut counts = vec![0u32; LEVELS];
        for &v in luma {
            counts[((v * LEVELS as f32) as usize).min(LEVELS - 1)] += 1;
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

    fn share_below(&self, level: f32) -> f32 {
        let position = (level * LEVELS as f32).clamp(0.0, LEVELS as f32);
        let index = (position as usize).min(LEVELS - 1);
        let (a, b) = (self.below[index], self.below[index + 1]);
        a + (position - index as f32) * (b - a)
    }
}

/// Two frames' luma replaced by ranks (share of the frame that is darker), cut to the ranks that neither frame has
/// clipped or crushed and stretched to 0..=1: the same picture whatever the exposure and the response, as long as both
/// show about the same scene. `None` if less than 1 % of the ranks are left.
pub(super) fn ranks(a: &Array2<f32>, b: &Array2<f32>) -> Option<[Array2<f32>; 2]> {
    let (first, second) = (Histogram::new(a), Histogram::new(b));
    let low = first.share_below(CRUSHED).max(second.share_below(CRUSHED));
    let high = first.share_below(CLIPPED).min(second.share_below(CLIPPED));
    if high - low < LEAST_SHARED {
        return None;
    }
    let rank = |luma: &Array2<f32>, histogram: &Histogram| {
        luma.mapv(|v| ((histogram.share_below(v).clamp(low, high)) - low) / (high - low))
    };
    Some([rank(a, &first), rank(b, &second)])
}

/// A pyramid, finest first, down to a longest side of about 64.
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
    fn bytes_are_summed_like_any_other_pixels() {
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
