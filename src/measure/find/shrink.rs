//! The picture made small by block means, then logarithmic, with the spread of each pixel's surroundings.
use crate::measure::geometry::Homography;
use ndarray::Array2;

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
        let (rows, columns) = (luminance.nrows() / factor, luminance.ncols() / factor);
        let count = (factor * factor) as f32;
        let mut mean = Array2::<f32>::zeros((rows, columns));
        for ((r, c), m) in mean.indexed_iter_mut() {
            let block = luminance.slice(ndarray::s![
                r * factor..(r + 1) * factor,
                c * factor..(c + 1) * factor
            ]);
            *m = block.sum() / count;
        }
        let brightest = mean
            .iter()
            .copied()
            .filter(|v| v.is_finite())
            .fold(0.0, f32::max);
        let floor = (brightest * (-DEPTH).exp2()).max(f32::MIN_POSITIVE);
        let log = mean.mapv(|v| {
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

    /// Coordinates here -> coordinates in the full picture.
    pub fn to_full(&self) -> Option<Homography> {
        let f = self.factor as f64;
        Homography::of_rows([[f, 0.0, 0.0], [0.0, f, 0.0], [0.0, 0.0, 1.0]])
    }
}

fn spread(log: &Array2<f32>) -> Array2<f32> {
    let (rows, columns) = log.dim();
    let mut spread = Array2::from_elem((rows, columns), f32::MAX);
    for r in 1..rows.saturating_sub(1) {
        for c in 1..columns.saturating_sub(1) {
            let centre = log[[r, c]];
            let (mut sum, mut squares) = (0.0, 0.0);
            for dr in 0..3 {
                for dc in 0..3 {
                    let v = log[[r + dr - 1, c + dc - 1]] - centre;
                    sum += v;
                    squares += v * v;
                }
            }
            spread[[r, c]] = ((squares - sum * sum / 9.0) / 9.0).max(0.0).sqrt();
        }
    }
    spread
}
