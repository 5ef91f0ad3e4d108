//! Positions of the pixels of a reference row in a frame, and the interpolation weights there.
use std::ops::Range;
use stopspan_core::raster::{Transform, to_i32_fast};

/// Columns of a tile.
pub(super) const COLUMNS: usize = 256;
/// Columns summed together.
pub(super) const LANES: usize = 32;
/// Pixels with a weight along each axis.
pub(super) const TAPS: usize = 4;
/// Length of a row of weights, with room for lanes beyond the end of a tile.
const ROOM: usize = COLUMNS + LANES;
/// Positions within this distance of a pixel centre (px) snap to it, so that a tap of negligible weight cannot mark the pixel
/// clipped.
const NEAR: f64 = 1e-6;
/// Source pixel of a position outside the frame.
const OUTSIDE: i32 = i32::MIN;

/// Positions of the pixels of one row of a tile in the frame.
pub(super) struct Positions {
    /// Source pixel, the last whose centre is not beyond the position: its column less the index in the tile, and its row.
    /// Both are [`OUTSIDE`], or neither.
    x: [i32; COLUMNS],
    y: [i32; COLUMNS],
    /// Offset of the position from the centre of the source pixel, by axis, pixels, 0..1.
    beyond: [[f32; COLUMNS]; 2],
    /// Weights of the four pixels from the one before the source pixel on (cubic convolution, Keys 1981).
    pub across: [[f32; ROOM]; TAPS],
    pub down: [[f32; ROOM]; TAPS],
}

impl Default for Positions {
    fn default() -> Self {
        Positions {
            x: [OUTSIDE; COLUMNS],
            y: [OUTSIDE; COLUMNS],
            beyond: [[0.0; COLUMNS]; 2],
            across: [[0.0; ROOM]; TAPS],
            down: [[0.0; ROOM]; TAPS],
        }
    }
}

impl Positions {
    /// Finds the positions of the pixels of row `row` of the reference from column `first` on. `frame` is the number of rows
    /// and columns of the frame.
    #[inline(always)]
    pub fn find(&mut self, transform: &Transform, row: usize, first: usize, frame: (usize, usize)) {
        // Without perspective no division is needed.
        if transform.0[2] == [0.0, 0.0, 1.0] {
            self.find_by::<false>(transform, row, first, frame);
        } else {
            self.find_by::<true>(transform, row, first, frame);
        }
    }

    #[inline(always)]
    fn find_by<const PERSPECTIVE: bool>(
        &mut self,
        transform: &Transform,
        row: usize,
        first: usize,
        (rows, columns): (usize, usize),
    ) {
        let Transform([a, b, c]) = transform;
        let (first, y) = (first as f64 + 0.5, row as f64 + 0.5);
        let (right, bottom) = (columns as f64 - 1.0, rows as f64 - 1.0);
        let [beyond_x, beyond_y] = &mut self.beyond;
        let pixels = self.x.iter_mut().zip(&mut self.y);
        let pixels = pixels.zip(beyond_x.iter_mut().zip(beyond_y));
        for (k, ((to_x, to_y), (beyond_x, beyond_y))) in (0i32..).zip(pixels) {
            let x = first + f64::from(k);
            let w = if PERSPECTIVE {
                c[0] * x + c[1] * y + c[2]
            } else {
                1.0
            };
            let near = if PERSPECTIVE { 1.0 / w } else { 1.0 };
            let (column, s) = split((a[0] * x + a[1] * y + a[2]) * near);
            let (row, t) = split((b[0] * x + b[1] * y + b[2]) * near);
            let covered = (w > 1e-9)
                & (column >= 0.0)
                & (row >= 0.0)
                & (column + s <= right)
                & (row + t <= bottom);
            let after = to_i32_fast(column - f64::from(k));
            *to_x = if covered { after } else { OUTSIDE };
            *to_y = if covered { to_i32_fast(row) } else { OUTSIDE };
            (*beyond_x, *beyond_y) = (s as f32, t as f32);
        }
    }

    /// Computes the weights, and writes the factor by which they change the variance of independent noise; 1 outside.
    #[inline(always)]
    pub fn weigh(&mut self, noise_gain: &mut [f32]) {
        cubic(&self.beyond[0], &mut self.across);
        cubic(&self.beyond[1], &mut self.down);
        for (i, (noise_gain, x)) in noise_gain.iter_mut().zip(&self.x).enumerate() {
            let squares = |w: &[[f32; ROOM]; TAPS]| {
                let [a, b, c, d] = [w[0][i], w[1][i], w[2][i], w[3][i]];
                a * a + b * b + c * c + d * d
            };
            let both = squares(&self.across) * squares(&self.down);
            *noise_gain = if *x == OUTSIDE { 1.0 } else { both };
        }
    }

    /// True if any position is a pixel centre along an axis.
    #[inline(always)]
    pub fn on_centre(&self) -> bool {
        let on = |beyond: &[f32; COLUMNS]| beyond.iter().filter(|t| **t == 0.0).count() > 0;
        self.beyond.iter().any(on)
    }

    /// The source pixel (column, row) of column `index` of the tile; `None` outside the frame.
    #[inline(always)]
    pub fn pixel(&self, index: usize) -> Option<(isize, isize)> {
        let (x, y) = (self.x[index] as isize, self.y[index] as isize);
        (self.x[index] != OUTSIDE).then_some((x + index as isize, y))
    }

    /// Offset of the position of column `index` of the tile from the centre of its source pixel, columns and rows, 0..1.
    pub fn beyond(&self, index: usize) -> [f32; 2] {
        self.beyond.each_ref().map(|axis| axis[index])
    }

    /// The run of columns from `from` on whose source pixels advance one by one in one row, or are all outside.
    #[inline(always)]
    pub fn run(&self, from: usize, end: usize) -> Range<usize> {
        let mut pixels = self.x[from..end].iter().zip(&self.y[from..end]);
        let like = |(x, y): (&i32, &i32)| *x == self.x[from] && *y == self.y[from];
        let length = pixels.position(|pixel| !like(pixel));
        from..length.map_or(end, |length| from + length)
    }
}

/// The source pixel of a position along an axis, and the offset from its centre, 0..1.
#[inline(always)]
fn split(position: f64) -> (f64, f64) {
    let at = position - 0.5;
    let (before, nearest) = (at.floor(), position.floor());
    let on = (at - nearest).abs() < NEAR;
    let pixel = if on { nearest } else { before };
    (pixel, if on { 0.0 } else { at - before })
}

/// The kernel of cubic convolution at 1 + t, t, 1 - t and 2 - t.
#[inline(always)]
fn cubic(beyond: &[f32; COLUMNS], weights: &mut [[f32; ROOM]; TAPS]) {
    let [a, b, c, d] = weights;
    let weights = a.iter_mut().zip(b).zip(c.iter_mut().zip(d));
    for (((a, b), (c, d)), &t) in weights.zip(beyond) {
        // In this form 0 at t = 0 only; expanded, its terms cancel near t = 1 as well.
        *a = -0.5 * t * (1.0 - t) * (1.0 - t);
        *b = (1.5 * t - 2.5) * t * t + 1.0;
        *c = ((-1.5 * t + 2.0) * t + 0.5) * t;
        *d = (0.5 * t - 0.5) * t * t;
    }
}

/// `N` successive values from an index on; zeros if there are fewer.
#[inline(always)]
pub(super) fn lanes<const N: usize>(from: &[f32], at: usize) -> &[f32; N] {
    let values = from.get(at..).and_then(|values| values.first_chunk());
    values.unwrap_or(const { &[0.0; N] })
}
