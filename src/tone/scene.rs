//! Statistics of the scene for the operators: luminance, and a small plane of log luminance.
use ndarray::{Array2, ArrayView3};
use rayon::prelude::*;
use stopspan_core::raster::{Work, dispatch_simd};

/// Limit on log2 luminance, stops either side of radiance 1; black is at the lower limit.
pub(super) const REACH: f32 = 32.0;

/// Luminance of linear RGB, where `weights` are the luminances of its primaries (sum 1); a mono sample is its own
/// luminance. Negative and NaN values become black.
#[inline(always)]
pub(super) fn luminance(pixel: &[f32], weights: [f32; 3]) -> f32 {
    let y = match pixel {
        [r, g, b] => weights[0] * r + weights[1] * g + weights[2] * b,
        [y] => *y,
        _ => 0.0,
    };
    if y > 0.0 { y } else { 0.0 }
}

/// How luminance is measured.
#[derive(Debug, Clone, Copy)]
pub(super) struct Metering {
    /// Luminances of the primaries (sum 1).
    pub weights: [f32; 3],
    /// Luminance that what is darker is drawn up towards, so that noise about black keeps a finite logarithm; 0 for none.
    pub floor: f32,
}

impl Metering {
    /// Luminance of linear RGB, or of a mono sample, lifted by the floor: half of `y + sqrt(y^2 + 4 floor^2)`.
    #[inline(always)]
    pub fn luminance(&self, pixel: &[f32]) -> f32 {
        let y = luminance(pixel, self.weights);
        0.5 * (y + (y * y + 4.0 * self.floor * self.floor).sqrt())
    }
}

/// log2 of a non-negative luminance, clamped to -/+ [`REACH`], within 1e-6 of the exact value. Free of branches, so
/// that loops vectorise: the exponent from the bits, the mantissa by the series of the inverse hyperbolic tangent.
#[inline(always)]
pub(super) fn log2(y: f32) -> f32 {
    let y = y.clamp(2.328_306_4e-10, 4.294_967_3e9);
    let bits = y.to_bits();
    // Brings the mantissa to [sqrt(1/2), sqrt(2)); 0x3f35_04f3 is sqrt(1/2).
    let shift = bits.wrapping_sub(0x3f35_04f3) & 0xff80_0000;
    let exponent = (shift as i32 >> 23) as f32;
    let mantissa = f32::from_bits(bits.wrapping_sub(shift));
    let t = (mantissa - 1.0) / (mantissa + 1.0);
    let t2 = t * t;
    let series = 1.0 + t2 * (1.0 / 3.0 + t2 * (1.0 / 5.0 + t2 * (1.0 / 7.0)));
    exponent + 2.0 * std::f32::consts::LOG2_E * t * series
}

/// Log2 luminance of the pixels of a row.
pub(super) fn logs_of(row: &[f32], channels: usize, metering: Metering, logs: &mut [f32]) {
    match channels {
        3 => dispatch_simd(Logs(row.as_chunks::<3>().0, metering, logs)),
        _ => dispatch_simd(Logs(row.as_chunks::<1>().0, metering, logs)),
    }
}

struct Logs<'a, const CHANNELS: usize>(&'a [[f32; CHANNELS]], Metering, &'a mut [f32]);

impl<const CHANNELS: usize> Work for Logs<'_, CHANNELS> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Logs(row, metering, logs) = self;
        for (log, pixel) in logs.iter_mut().zip(row) {
            *log = log2(metering.luminance(pixel));
        }
    }
}

/// The integer nearest to a number within -/+ 2^22; for others and NaN some integer. Free of branches: at 1.5 x 2^23 the
/// spacing of floats is 1, so the low bits of the sum are those of the integer. `as` is computed number by number.
#[inline(always)]
pub(super) fn nearest(number: f32) -> i32 {
    const ORIGIN: f32 = 12_582_912.0;
    (number + ORIGIN).to_bits() as i32 - ORIGIN.to_bits() as i32
}

/// exp2 of a number of -126..=126, within 3e-7 of the exact value relatively. Free of branches.
#[inline(always)]
pub(super) fn exp2(x: f32) -> f32 {
    let x = x.clamp(-126.0, 126.0);
    let whole = nearest(x);
    let t = (x - whole as f32) * std::f32::consts::LN_2;
    let series = 1.0 / 24.0 + t * (1.0 / 120.0 + t * (1.0 / 720.0));
    let series = 1.0 + t * (1.0 + t * (0.5 + t * (1.0 / 6.0 + t * series)));
    series * f32::from_bits(((whole + 127) as u32) << 23)
}

/// Statistics of a scene. Luminance is in the unit of the map.
pub(super) struct Scene {
    /// Mean log2 luminance over blocks of `block` x `block` pixels.
    pub small: Array2<f32>,
    /// Side of a block, pixels.
    pub block: usize,
    top: f32,
}

struct Band {
    small: Vec<f32>,
    top: f32,
}

impl Scene {
    /// Computes the statistics in one pass over a map of shape (rows, columns, channels) in standard layout. `side` is
    /// the longest side of the small plane, pixels.
    pub fn survey(radiance: ArrayView3<f32>, metering: Metering, side: usize) -> Self {
        let (rows, columns, channels) = radiance.dim();
        let block = rows.max(columns).div_ceil(side).max(1);
        let (small_rows, small_columns) = (rows.div_ceil(block), columns.div_ceil(block));
        let samples = radiance.to_slice().unwrap_or(&[]);
        let width = columns * channels;
        let bands: Vec<Band> = samples
            .par_chunks((width * block).max(1))
            .map(|rows| Band::survey(rows, columns, channels, block, metering))
            .collect();
        let mut scene = Scene {
            small: Array2::zeros((0, 0)),
            block,
            top: 0.0,
        };
        let mut small = Vec::with_capacity(small_rows * small_columns);
        for band in bands {
            small.extend(band.small);
            scene.top = scene.top.max(band.top);
        }
        scene.small = Array2::from_shape_vec((small_rows, small_columns), small)
            .unwrap_or_else(|_| Array2::zeros((small_rows, small_columns)));
        scene
    }

    /// Log2 of the largest luminance, at most [`REACH`]; the lower limit if all pixels are black.
    pub fn top_log(&self) -> f64 {
        f64::from(log2(self.top))
    }
}

impl Band {
    fn survey(
        samples: &[f32],
        columns: usize,
        channels: usize,
        block: usize,
        metering: Metering,
    ) -> Self {
        let small_columns = columns.div_ceil(block);
        let mut band = Band {
            small: vec![0.0; small_columns],
            top: 0.0,
        };
        let mut logs = vec![0f32; columns];
        let rows = samples.len() / (columns * channels).max(1);
        for row in samples.chunks_exact((columns * channels).max(1)) {
            logs_of(row, channels, metering, &mut logs);
            band.add_row(&logs, block);
        }
        for (i, value) in band.small.iter_mut().enumerate() {
            let wide = block.min(columns - i * block);
            *value /= (wide * rows) as f32;
        }
        band
    }

    fn add_row(&mut self, logs: &[f32], block: usize) {
        for (small, part) in self.small.iter_mut().zip(logs.chunks(block)) {
            *small += part.iter().sum::<f32>();
        }
        let mut top = -REACH;
        for &log in logs {
            if log > -REACH {
                top = top.max(log);
            }
        }
        if top > -REACH {
            self.top = self.top.max(top.exp2());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fast_log_agrees_with_the_standard_library() {
        for i in 0..200_000 {
            let y = ((i as f32) * 3e-4 - 30.0).exp2();
            assert!((log2(y) - y.log2()).abs() < 4e-6, "{y}");
        }
        assert_eq!(log2(0.0), -REACH);
        assert_eq!(log2(f32::INFINITY), REACH);
        assert_eq!(log2(1.0), 0.0);
    }

    #[test]
    fn fast_power_agrees_with_the_standard_library() {
        for i in 0..200_000 {
            let x = i as f32 * 1e-3 - 100.0;
            assert!((exp2(x) / x.exp2() - 1.0).abs() < 1e-6, "{x}");
        }
        assert_eq!(exp2(0.0), 1.0);
    }

    #[test]
    fn the_nearest_integer_is_that_of_the_standard_library() {
        for i in -70_000..70_000 {
            let x = i as f32 * 1.013;
            assert_eq!(nearest(x), x.round_ties_even() as i32, "{x}");
        }
        assert_eq!(nearest(0.5), 0);
        assert_eq!(nearest(1.5), 2);
        assert_eq!(nearest(-0.0), 0);
    }

    #[test]
    fn black_pixels_count_for_nothing() {
        let mut map = ndarray::Array3::<f32>::zeros((4, 4, 1));
        map[[1, 1, 0]] = 4.0;
        map[[2, 2, 0]] = f32::NAN;
        map[[3, 3, 0]] = -1.0;
        let scene = Scene::survey(
            map.view(),
            Metering {
                weights: [0.2126, 0.7152, 0.0722],
                floor: 0.0,
            },
            512,
        );
        assert!((scene.top_log() - 2.0).abs() < 1e-6);
    }
}
