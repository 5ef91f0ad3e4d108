//! Where the pixels of a row of the reference lie in a frame, and the weights of the pixels around.
use std::ops::Range;
use stopspan_core::raster::{Transform, to_i32_fast};

/// Columns of a tile.
pub(super) const COLUMNS: usize = 256;
/// Places that are summed side by side.
pub(super) const LANES: usize = 32;
/// Pixels that have weight for a place, along each axis.
pub(super) const TAPS: usize = 4;
/// Weights of a row, with room for lanes that reach beyond its end.
const ROOM: usize = COLUMNS + LANES;
/// Distance of which nothing is seen, pixels: a place nearer to a pixel's centre is that centre, so that a neighbour of so little
/// weight does not make it clipped.
const NEAR: f64 = 1e-6;
/// Marks what the frame does not cover.
const OUTSIDE: i32 = i32::MIN;

/// Places of a row of a tile.
pub(super) struct Places {
    /// The pixel at whose centre or beyond a place lies: how many columns after the place itself in the tile, and the row;
    /// [`OUTSIDE`] for both, or for neither.
    x: [i32; COLUMNS],
    y: [i32; COLUMNS],
    /// How far beyond its centre, pixels, 0..1.
    beyond: [[f32; COLUMNS]; 2],
    /// Weights of the pixels from the one before on (cubic convolution, Keys 1981).
    pub across: [[f32; ROOM]; TAPS],
    pub down: [[f32; ROOM]; TAPS],
}

impl Default for Places {
    fn default() -> Self {
        Places {
            x: [OUTSIDE; COLUMNS],
            y: [OUTSIDE; COLUMNS],
            beyond: [[0.0; COLUMNS]; 2],
            across: [[0.0; ROOM]; TAPS],
            down: [[0.0; ROOM]; TAPS],
        }
    }
}

impl Places {
    /// Finds the places of a row of the reference from a column on, in a frame of so many rows and columns.
    #[inline(always)]
    pub fn find(&mut self, transform: &Transform, start: (usize, usize), frame: (usize, usize)) {
        // Without perspective there is nothing to divide by.
        if transform.0[2] == [0.0, 0.0, 1.0] {
            self.find_by::<false>(transform, start, frame);
        } else {
            self.find_by::<true>(transform, start, frame);
        }
    }

    #[inline(always)]
    fn find_by<const PERSPECTIVE: bool>(
        &mut self,
        transform: &Transform,
        (row, first): (usize, usize),
        (rows, columns): (usize, usize),
    ) {
        let Transform([a, b, c]) = transform;
        let (first, y) = (first as f64 + 0.5, row as f64 + 0.5);
        let (right, bottom) = (columns as f64 - 1.0, rows as f64 - 1.0);
        let [beyond_x, beyond_y] = &mut self.beyond;
        let places = self.x.iter_mut().zip(&mut self.y);
        let places = places.zip(beyond_x.iter_mut().zip(beyond_y));
        for (k, ((to_x, to_y), (beyond_x, beyond_y))) in (0i32..).zip(places) {
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

    /// Weighs the pixels around the places, and says what that leaves of the noise; 1 outside.
    #[inline(always)]
    pub fn weigh(&mut self, energy: &mut [f32]) {
        cubic(&self.beyond[0], &mut self.across);
        cubic(&self.beyond[1], &mut self.down);
        for (i, (energy, x)) in energy.iter_mut().zip(&self.x).enumerate() {
            let squares = |w: &[[f32; ROOM]; TAPS]| {
                let [a, b, c, d] = [w[0][i], w[1][i], w[2][i], w[3][i]];
                a * a + b * b + c * c + d * d
            };
            let both = squares(&self.across) * squares(&self.down);
            *energy = if *x == OUTSIDE { 1.0 } else { both };
        }
    }

    /// True if a place lies at a pixel's centre along an axis.
    #[inline(always)]
    pub fn on_centre(&self) -> bool {
        let on = |beyond: &[f32; COLUMNS]| beyond.iter().filter(|t| **t == 0.0).count() > 0;
        self.beyond.iter().any(on)
    }

    /// The pixel (column, row) at whose centre or beyond a place lies; `None` outside.
    #[inline(always)]
    pub fn at(&self, place: usize) -> Option<(isize, isize)> {
        let (x, y) = (self.x[place] as isize, self.y[place] as isize);
        (self.x[place] != OUTSIDE).then_some((x + place as isize, y))
    }

    /// The places from one on for which the pixels advance one by one, or that lie outside.
    #[inline(always)]
    pub fn run(&self, from: usize, end: usize) -> Range<usize> {
        let mut places = self.x[from..end].iter().zip(&self.y[from..end]);
        let like = |(x, y): (&i32, &i32)| *x == self.x[from] && *y == self.y[from];
        let length = places.position(|place| !like(place));
        from..length.map_or(end, |length| from + length)
    }
}

/// A place along an axis as the pixel at whose centre or beyond it lies, and how far beyond.
#[inline(always)]
fn split(place: f64) -> (f64, f64) {
    let at = place - 0.5;
    let (before, nearest) = (at.floor(), place.floor());
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
        // Zero at t = 0 alone, which two terms that cancel near 1 are not.
        *a = -0.5 * t * (1.0 - t) * (1.0 - t);
        *b = (1.5 * t - 2.5) * t * t + 1.0;
        *c = ((-1.5 * t + 2.0) * t + 0.5) * t;
        *d = (0.5 * t - 0.5) * t * t;
    }
}

/// Values side by side from an index on; zeros where there are not enough.
#[inline(always)]
pub(super) fn lanes<const N: usize>(from: &[f32], at: usize) -> &[f32; N] {
    let values = from.get(at..).and_then(|values| values.first_chunk());
    values.unwrap_or(const { &[0.0; N] })
}
