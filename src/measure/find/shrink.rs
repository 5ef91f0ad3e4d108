//! The picture made small by block means, then logarithmic, with the spread of each pixel's surroundings.
use crate::measure::geometry::Homography;
use crate::raster::{Point, Work, wide};
use ndarray::Array2;
use rayon::prelude::*;

/// How far below the brightest pixel the logarithm is cut, stops.
const DEPTH: f32 = 22.0;

/// log2 of block means, and the deviation over 3 x 3 of them.
pub(super) struct Small {
    /// Pixels of the full picture per pixel here, both ways.
    pub factor: usize,
    /// log2 of luminance.
    pub log: Array2<f32>,
    /// Standard deviation of `log` over 3 x 3.
    pub spread: Array2<f32>,
}

impl Small {
    /// Block means over `factor` x `factor` pixels.
    pub fn of(luminance: &Array2<f32>, factor: usize) -> Self {
        let mut log = means(luminance, factor);
        let brightest = log
            .par_iter()
            .copied()
            .filter(|v| v.is_finite())
            .reduce(|| 0.0, f32::max);
        let floor = (brightest * (-DEPTH).exp2()).max(f32::MIN_POSITIVE);
        log.par_mapv_inplace(|v| {
            if v.is_finite() {
                v.max(floor).log2()
            } else {
                floor.log2()
            }
        });
        let spread = spread(&log);
        Small {
            factor,
            log,
            spread,
        }
    }

    /// log2 of luminance at a place; `None` outside.
    pub fn at(&self, p: Point) -> Option<f32> {
        let inside = p.x >= 0.0 && p.y >= 0.0;
        self.log
            .get([p.y as usize, p.x as usize])
            .copied()
            .filter(|_| inside)
    }

    /// Coordinates here -> coordinates in the full picture.
    pub fn to_full(&self) -> Option<Homography> {
        let f = self.factor as f64;
        Homography::of_rows([[f, 0.0, 0.0], [0.0, f, 0.0], [0.0, 0.0, 1.0]])
    }
}

fn means(luminance: &Array2<f32>, factor: usize) -> Array2<f32> {
    let (rows, columns) = (luminance.nrows() / factor, luminance.ncols() / factor);
    let mut mean = Array2::<f32>::zeros((rows, columns));
    if rows == 0 || columns == 0 {
        return mean;
    }
    let count = (factor * factor) as f32;
    mean.axis_iter_mut(ndarray::Axis(0))
        .into_par_iter()
        .enumerate()
        .for_each(|(r, mut line)| {
            for from in luminance
                .slice(ndarray::s![r * factor..(r + 1) * factor, ..])
                .rows()
            {
                for (c, m) in line.iter_mut().enumerate() {
                    for k in 0..factor {
                        *m += from[c * factor + k];
                    }
                }
            }
            line.mapv_inplace(|v| v / count);
        });
    mean
}

/// Deviation over 3 x 3, of differences to the middle so that nothing cancels.
fn spread(log: &Array2<f32>) -> Array2<f32> {
    let (rows, columns) = log.dim();
    if rows < 3 || columns < 3 {
        return Array2::from_elem((rows, columns), f32::MAX);
    }
    let mut spread = Array2::zeros((rows, columns));
    let out = spread.as_slice_mut().unwrap_or_default();
    let lines = out.par_chunks_mut(columns).enumerate();
    let all = log.as_slice().unwrap_or_default();
    lines.for_each(|(r, out)| {
        if r == 0 || r == rows - 1 {
            return out.fill(f32::MAX);
        }
        let near = [r - 1, r, r + 1].map(|i| &all[i * columns..(i + 1) * columns]);
        (out[0], out[columns - 1]) = (f32::MAX, f32::MAX);
        wide(SpreadOfRow { near, out });
    });
    spread
}

/// Deviation over 3 x 3 of the middle one of three rows.
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
