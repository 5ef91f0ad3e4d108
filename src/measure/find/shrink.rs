//! The picture reduced by block means, in log2, and the local spread of each pixel.
use ndarray::{Array2, ArrayRef2, Axis};
use rayon::prelude::*;
use stopspan_core::model::Homography;
use stopspan_core::raster::{Point, Work, dispatch_simd};

/// Lower limit of the logarithm, stops below the brightest pixel.
const DEPTH: f32 = 22.0;

/// log2 of block means of a picture.
pub(super) struct ReducedPicture {
    /// Pixels of the full picture per pixel, both ways.
    pub factor: usize,
    /// log2 of luminance.
    pub log: Array2<f32>,
    /// log2 of red and of blue over luminance; `None` without colour.
    colour: Option<[Array2<f32>; 2]>,
}

impl ReducedPicture {
    /// Means over blocks of `factor` x `factor` pixels.
    pub fn of(luminance: &ArrayRef2<f32>, factor: usize) -> Self {
        let mut log = means(luminance, factor);
        let brightest = extremes(&log).1.max(0.0);
        let floor = (brightest * (-DEPTH).exp2()).max(f32::MIN_POSITIVE);
        let to_log = |v: &mut f32| {
            let held = if v.is_finite() { v.max(floor) } else { floor };
            *v = held.log2();
        };
        let pixels = log.as_slice_mut().unwrap_or_default();
        let pieces = pixels.par_chunks_mut(PIECE);
        pieces.for_each(|piece| piece.iter_mut().for_each(to_log));
        ReducedPicture {
            factor,
            log,
            colour: None,
        }
    }

    /// The same with the colours of a picture whose luminance it was made of.
    pub fn with_colour(mut self, [red, blue]: [&ArrayRef2<f32>; 2]) -> Self {
        let over = |channel: &ArrayRef2<f32>| {
            let mut ratio = means(channel, self.factor);
            ratio.zip_mut_with(&self.log, |value, log| {
                let held = if value.is_finite() { *value } else { 0.0 };
                *value = held.max(f32::MIN_POSITIVE).log2() - log;
            });
            ratio
        };
        self.colour = Some([red, blue].map(over));
        self
    }

    /// log2 of red and of blue over luminance at a point; `None` outside, and without colour.
    pub fn colour_at(&self, p: Point) -> Option<[f32; 2]> {
        let [red, blue] = self.colour.as_ref()?;
        let at = [p.y.max(0.0) as usize, p.x.max(0.0) as usize];
        Some([*red.get(at)?, *blue.get(at)?])
    }

    /// Smallest and largest value.
    pub fn extremes(&self) -> (f32, f32) {
        extremes(&self.log)
    }

    /// Standard deviation of `log` in the 3 x 3 window about each pixel of a row, from differences to the centre to avoid
    /// cancellation. At the edges of the picture it is `f32::MAX`.
    pub fn spread_of_row(&self, row: usize, out: &mut [f32]) {
        let (rows, columns) = self.log.dim();
        let all = self.log.as_slice().unwrap_or_default();
        if row == 0 || row + 1 >= rows || columns < 3 {
            return out.fill(f32::MAX);
        }
        let near = [row - 1, row, row + 1].map(|i| &all[i * columns..(i + 1) * columns]);
        (out[0], out[columns - 1]) = (f32::MAX, f32::MAX);
        dispatch_simd(SpreadOfRow { near, out });
    }

    /// log2 of luminance at a point; `None` outside.
    pub fn at(&self, p: Point) -> Option<f32> {
        let inside = p.x >= 0.0 && p.y >= 0.0;
        self.log
            .get([p.y as usize, p.x as usize])
            .copied()
            .filter(|_| inside)
    }

    /// Maps coordinates in the reduced picture to coordinates in the full picture.
    pub fn to_full(&self) -> Option<Homography> {
        let f = self.factor as f64;
        Homography::of_rows([[f, 0.0, 0.0], [0.0, f, 0.0], [0.0, 0.0, 1.0]])
    }
}

/// Pixels handled by one parallel task.
const PIECE: usize = 1 << 15;

fn means(luminance: &ArrayRef2<f32>, factor: usize) -> Array2<f32> {
    let (rows, columns) = (luminance.nrows() / factor, luminance.ncols() / factor);
    let mut mean = Array2::<f32>::zeros((rows, columns));
    if rows == 0 || columns == 0 {
        return mean;
    }
    let count = (factor * factor) as f32;
    let lines = mean.axis_iter_mut(Axis(0)).into_par_iter().enumerate();
    lines.for_each_init(Vec::new, |row: &mut Vec<f32>, (r, mut line)| {
        for from in (r * factor..(r + 1) * factor).map(|i| luminance.row(i)) {
            row.clear();
            row.extend(from);
            for (mean, block) in line.iter_mut().zip(row.chunks_exact(factor)) {
                block.iter().for_each(|v| *mean += v);
            }
        }
        line.mapv_inplace(|v| v / count);
    });
    mean
}

/// Smallest and largest of the finite numbers; (`f32::MAX`, `f32::MIN`) if there are none.
fn extremes(plane: &Array2<f32>) -> (f32, f32) {
    let pixels = plane.as_slice().unwrap_or_default();
    let both = |a: (f32, f32), b: (f32, f32)| (a.0.min(b.0), a.1.max(b.1));
    let pieces = pixels
        .par_chunks(PIECE)
        .map(|piece| dispatch_simd(Extremes(piece)));
    pieces.reduce(|| (f32::MAX, f32::MIN), both)
}

struct Extremes<'a>(&'a [f32]);

impl Work for Extremes<'_> {
    type Output = (f32, f32);

    #[inline(always)]
    fn call(self) -> (f32, f32) {
        let (mut low, mut high) = ([f32::MAX; 16], [f32::MIN; 16]);
        let (whole, rest) = self.0.as_chunks::<16>();
        for values in whole.iter().map(|v| v.as_slice()).chain([rest]) {
            for ((v, low), high) in values.iter().zip(&mut low).zip(&mut high) {
                let known = v.abs() <= f32::MAX;
                *low = if known & (*v < *low) { *v } else { *low };
                *high = if known & (*v > *high) { *v } else { *high };
            }
        }
        let least = low.into_iter().fold(f32::MAX, f32::min);
        (least, high.into_iter().fold(f32::MIN, f32::max))
    }
}

/// Standard deviation in 3 x 3 windows about the middle one of three rows.
struct SpreadOfRow<'a> {
    near: [&'a [f32]; 3],
    out: &'a mut [f32],
}

impl Work for SpreadOfRow<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let [above, here, below] = self.near.map(|row| row.windows(3));
        let middle = self.out.iter_mut().skip(1);
        for (out, ((a, b), c)) in middle.zip(above.zip(here).zip(below)) {
            let (mut sum, mut squares) = (0.0f32, 0.0f32);
            for k in 0..3 {
                for row in [a, b, c] {
                    let v = row[k] - b[1];
                    sum += v;
                    squares += v * v;
                }
            }
            *out = ((squares - sum * sum / 9.0) / 9.0).max(0.0).sqrt();
        }
    }
}
