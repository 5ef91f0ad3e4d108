//! Whether a frame shows structure of its own that is not the other frame's at the same place.
use super::signal::{CLIPPED, CRUSHED, Small};
use ndarray::Array2;
use stopspan_core::raster::{expand, reduce};

/// Distance of pixels whose correlation tells structure from noise, pixels of the halved plane.
const APART: usize = 2;
/// Correlation at that distance from which a frame has structure of its own.
const STRUCTURED: f64 = 0.2;
/// Smallest correlation with the other frame, in that correlation.
const EXPECTED: f64 = 0.5;
/// Least share, 0..=1, of pixels neither clipped nor crushed in either frame.
const SHARED: f64 = 0.01;

/// True if neighbouring pixels of `moving` go together, so that it shows more than noise, but not with those of `fixed` at their place.
pub(super) fn differ(fixed: &Small, moving: &Small) -> bool {
    let (here, there) = (Detail::new(&fixed.luma), Detail::new(&moving.luma));
    let (rows, columns) = here.dim();
    if (rows, columns) != there.dim() || columns <= APART {
        return false;
    }
    let (mut own, mut both) = (Pairs::default(), Pairs::default());
    for r in 0..rows {
        for c in 0..columns - APART {
            let (Some(a), Some(b)) = (here.at(r, c), there.at(r, c)) else {
                continue;
            };
            both.add(a, b);
            if let Some(beside) = there.at(r, c + APART) {
                own.add(b, beside);
            }
        }
    }
    if both.sums[0] < SHARED * (rows * columns) as f64 {
        return false;
    }
    own.correlation()
        .zip(both.correlation())
        .is_some_and(|(own, both)| own > STRUCTURED && both < EXPECTED * own)
}

/// A halved plane and its local mean.
struct Detail {
    plane: Array2<f32>,
    mean: Array2<f32>,
}

impl Detail {
    fn new(luma: &Array2<f32>) -> Self {
        let plane = reduce(luma);
        let mut sizes = vec![plane.dim()];
        let mut mean = reduce(&plane);
        for _ in 0..2 {
            sizes.push(mean.dim());
            mean = reduce(&mean);
        }
        while let Some((rows, columns)) = sizes.pop() {
            mean = expand(&mean, rows, columns);
        }
        Detail { plane, mean }
    }

    fn dim(&self) -> (usize, usize) {
        self.plane.dim()
    }

    /// Departure from the local mean; `None` where the frame is clipped or crushed.
    fn at(&self, row: usize, column: usize) -> Option<f64> {
        let value = self.plane[[row, column]];
        let usable = value > CRUSHED && value < CLIPPED;
        usable.then(|| f64::from(value - self.mean[[row, column]]))
    }
}

/// Sums over pairs of values: count, first, second, their squares and their product.
#[derive(Default)]
struct Pairs {
    sums: [f64; 6],
}

impl Pairs {
    fn add(&mut self, a: f64, b: f64) {
        let terms = [1.0, a, b, a * a, b * b, a * b];
        self.sums.iter_mut().zip(terms).for_each(|(s, t)| *s += t);
    }

    /// `None` without variation.
    fn correlation(&self) -> Option<f64> {
        let [n, a, b, aa, bb, ab] = self.sums;
        let spread = (aa - a * a / n) * (bb - b * b / n);
        (n > 0.0 && spread > 0.0).then(|| (ab - a * b / n) / spread.sqrt())
    }
}
