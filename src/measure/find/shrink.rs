//! The picture made small by block means, then logarithmic, with the spread of each pixel's surroundings.
use crate::measure::geometry::Homography;
use crate::raster::Point;
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

/// Deviation over 3 x 3 by sliding sums along each row, relative to a value of the row so that nothing cancels.
fn spread(log: &Array2<f32>) -> Array2<f32> {
    let (rows, columns) = log.dim();
    let mut spread = Array2::from_elem((rows, columns), f32::MAX);
    if rows < 3 || columns < 3 {
        return spread;
    }
    let inner = ndarray::s![1..rows - 1, ..];
    spread
        .slice_mut(inner)
        .axis_iter_mut(ndarray::Axis(0))
        .into_par_iter()
        .enumerate()
        .for_each(|(r, mut line)| {
            let near = [r, r + 1, r + 2].map(|i| log.row(i));
            let three = |c: usize, centre: f32| {
                let mut sums = (0.0f32, 0.0f32);
                for row in &near {
                    let v = row[c] - centre;
                    sums.0 += v;
                    sums.1 += v * v;
                }
                sums
            };
            for c in 1..columns - 1 {
                let centre = near[1][c];
                let (a, b, d) = (three(c - 1, centre), three(c, centre), three(c + 1, centre));
                let (sum, squares) = (a.0 + b.0 + d.0, a.1 + b.1 + d.1);
                line[c] = ((squares - sum * sum / 9.0) / 9.0).max(0.0).sqrt();
            }
        });
    spread
}
