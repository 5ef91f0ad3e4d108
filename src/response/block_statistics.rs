//! Mean, variance and largest code of square blocks of pixels.
use ndarray::Array3;
use stopspan_core::raster::{Pixels, Work, dispatch_simd};

/// Code of full scale in which statistics are expressed, whatever the depth of the file.
pub(crate) const CODES: f64 = 255.0;

/// Mean, variance (codes^2) and largest code of one channel of a block, in codes of 0..=255.
pub(crate) type Statistics = (f32, f32, f32);

/// Statistics of the blocks with these top left corners (row, column), by channel within block.
pub(crate) fn statistics(
    pixels: &Pixels,
    corners: &[(usize, usize)],
    side: usize,
) -> Vec<Statistics> {
    match (pixels, pixels.channels(), side) {
        (Pixels::U8(codes), 3, 8) => dispatch_simd(OfRows::<_, 3, 24> { codes, corners }),
        (Pixels::U8(codes), 3, _) => of_codes::<_, 3>(codes, corners, side),
        (Pixels::U8(codes), 1, _) => of_codes::<_, 1>(codes, corners, side),
        (Pixels::U16(codes), 4, _) => of_codes::<_, 4>(codes, corners, side),
        (Pixels::U16(codes), 3, _) => of_codes::<_, 3>(codes, corners, side),
        (Pixels::U16(codes), 1, _) => of_codes::<_, 1>(codes, corners, side),
        (_, channels, _) => {
            let each = |&(top, left)| {
                (0..channels).map(move |channel| of_levels(pixels, top, left, side, channel))
            };
            corners.iter().flat_map(each).collect()
        }
    }
}

/// Statistics from the sum, the sum of squares and the maximum of the codes of `count` pixels.
#[inline(always)]
fn summed<T>(count: usize, sum: u32, square: u64, peak: u32) -> Statistics {
    let count = count as f64;
    let full = ((1u64 << (8 * size_of::<T>())) - 1) as f64;
    let unit = CODES / full;
    let mean = f64::from(sum) / count;
    let variance = (square as f64 / count - mean * mean).max(0.0);
    let peak = f64::from(peak) * unit;
    (
        (mean * unit) as f32,
        (variance * unit * unit) as f32,
        peak as f32,
    )
}

/// Blocks whose rows are `LANES` bytes long, with `CHANNELS` bytes a pixel. Every byte of a row has its own accumulators.
struct OfRows<'a, T, const CHANNELS: usize, const LANES: usize> {
    codes: &'a Array3<T>,
    corners: &'a [(usize, usize)],
}

impl<const CHANNELS: usize, const LANES: usize> Work for OfRows<'_, u8, CHANNELS, LANES> {
    type Output = Vec<Statistics>;

    #[inline(always)]
    fn call(self) -> Vec<Statistics> {
        let side = LANES / CHANNELS;
        let width = self.codes.dim().1 * CHANNELS;
        let all = self.codes.as_slice().unwrap_or_default();
        let mut out = Vec::with_capacity(self.corners.len() * CHANNELS);
        for &(top, left) in self.corners {
            let (mut sum, mut square, mut peak) = ([0u16; LANES], [0u32; LANES], [0u8; LANES]);
            for row in top..top + side {
                let line = &all[row * width + left * CHANNELS..][..LANES];
                for k in 0..LANES {
                    let code = u16::from(line[k]);
                    sum[k] += code;
                    square[k] += u32::from(code * code);
                    peak[k] = peak[k].max(line[k]);
                }
            }
            for channel in 0..CHANNELS {
                let (mut sums, mut squares, mut most) = (0, 0, 0);
                for k in (channel..LANES).step_by(CHANNELS) {
                    sums += u32::from(sum[k]);
                    squares += square[k];
                    most = most.max(peak[k]);
                }
                let squares = u64::from(squares);
                out.push(summed::<u8>(side * side, sums, squares, most.into()));
            }
        }
        out
    }
}

/// Statistics of 8- or 16-bit samples in integers: the sum of 64 codes is far below 2^32, that of their squares below 2^53.
fn of_codes<T: Copy + Into<u32>, const CHANNELS: usize>(
    codes: &Array3<T>,
    corners: &[(usize, usize)],
    side: usize,
) -> Vec<Statistics> {
    let width = codes.dim().1;
    let all = codes.as_slice().unwrap_or_default();
    let all = all.as_chunks::<CHANNELS>().0;
    let one = |&(top, left): &(usize, usize)| -> [Statistics; CHANNELS] {
        let (mut sum, mut square, mut peak) =
            ([0u32; CHANNELS], [0u64; CHANNELS], [0u32; CHANNELS]);
        for row in top..top + side {
            for pixel in &all[row * width + left..row * width + left + side] {
                for (k, &code) in pixel.iter().enumerate() {
                    let code = code.into();
                    sum[k] += code;
                    square[k] += u64::from(code) * u64::from(code);
                    peak[k] = peak[k].max(code);
                }
            }
        }
        std::array::from_fn(|k| summed::<T>(side * side, sum[k], square[k], peak[k]))
    };
    corners.iter().flat_map(one).collect()
}

/// Statistics of one channel of one block of any pixels.
fn of_levels(pixels: &Pixels, top: usize, left: usize, side: usize, channel: usize) -> Statistics {
    let count = (side * side) as f64;
    let (mut sum, mut square, mut peak) = (0.0f64, 0.0f64, 0.0f32);
    for row in top..top + side {
        for column in left..left + side {
            let code = pixels.level(row, column, channel) * CODES as f32;
            sum += f64::from(code);
            square += f64::from(code) * f64::from(code);
            peak = peak.max(code);
        }
    }
    let mean = sum / count;
    let variance = (square / count - mean * mean).max(0.0);
    (mean as f32, variance as f32, peak)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The integer paths against the general one.
    #[test]
    fn bytes_and_floats_give_one_answer() {
        let codes =
            ndarray::Array3::from_shape_fn((9, 11, 3), |(r, c, k)| (r * 29 + c * 7 + k * 90) as u8);
        let same = Pixels::F32(codes.mapv(|v| f32::from(v) / 255.0));
        let deep = Pixels::U16(codes.mapv(|v| 257 * u16::from(v)));
        let bytes = Pixels::U8(codes);
        for (side, whole) in [(8, &bytes), (4, &bytes), (8, &deep), (4, &deep)] {
            let same = statistics(&same, &[(1, 2), (0, 3)], side);
            let whole = statistics(whole, &[(1, 2), (0, 3)], side);
            assert_eq!(whole.len(), 6);
            for (a, b) in whole.into_iter().zip(&same) {
                assert!(
                    (a.0 - b.0).abs() < 1e-3
                        && (a.1 - b.1).abs() < 1e-2 * b.1
                        && (a.2 - b.2).abs() < 1e-3
                );
            }
        }
    }
}
