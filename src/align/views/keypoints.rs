//! Points that can be found again in another picture: extrema of differences of Gaussians over place and scale (Lowe 2004).
use ndarray::Array2;
use stopspan_core::raster::reduce;

/// Scales per octave.
const SCALES: usize = 3;
/// Blur of the first scale of an octave, pixels of the octave.
const FIRST: f64 = 1.6;
/// Blur that a plane is taken to have, pixels.
const OWN: f64 = 0.5;
/// Least height of an extremum, levels 0..=1; the number of points is limited instead.
const LEAST: f32 = 0.002;
/// Largest ratio of the principal curvatures of an extremum: along an edge a point has no place (Lowe 2004).
const EDGE: f32 = 10.0;
/// Least side of the smallest octave, pixels.
const SMALLEST: usize = 24;
/// Largest number of points, the highest extrema.
const MOST: usize = 1600;

/// A point and the scale at which it was found.
#[derive(Debug, Clone, Copy)]
pub(super) struct Keypoint {
    /// Octave and blurred plane of it.
    pub octave: usize,
    pub plane: usize,
    /// Column and row in the octave's pixels; the centre of the first pixel is at 0.
    pub column: f32,
    pub row: f32,
    /// Blur at which it was found, pixels of the octave.
    pub blur: f32,
    height: f32,
}

/// Blurred planes of every octave.
pub(super) struct ScaleSpace {
    pub octaves: Vec<Vec<Array2<f32>>>,
}

impl ScaleSpace {
    pub fn of(plane: &Array2<f32>) -> Self {
        let mut octaves = Vec::new();
        let mut base = blurred(plane, (FIRST * FIRST - OWN * OWN).sqrt());
        while base.nrows().min(base.ncols()) >= SMALLEST {
            let mut planes = vec![base];
            let step = 2f64.powf(1.0 / SCALES as f64);
            for k in 1..SCALES + 3 {
                let before = FIRST * step.powi(k as i32 - 1);
                let more = before * (step * step - 1.0).sqrt();
                planes.push(blurred(&planes[k - 1], more));
            }
            // The plane of twice the first blur, at half the resolution, begins the next octave.
            base = every_other(&planes[SCALES]);
            octaves.push(planes);
        }
        ScaleSpace { octaves }
    }

    /// The highest extrema of all octaves.
    pub fn keypoints(&self) -> Vec<Keypoint> {
        let mut found = Vec::new();
        for (octave, planes) in self.octaves.iter().enumerate() {
            let differences: Vec<Array2<f32>> =
                planes.windows(2).map(|pair| &pair[1] - &pair[0]).collect();
            for plane in 1..=SCALES {
                let three = [
                    &differences[plane - 1],
                    &differences[plane],
                    &differences[plane + 1],
                ];
                extrema(three, |column, row, height| {
                    let step = 2f64.powf(plane as f64 / SCALES as f64);
                    found.push(Keypoint {
                        octave,
                        plane,
                        column,
                        row,
                        blur: (FIRST * step) as f32,
                        height,
                    });
                });
            }
        }
        found.sort_by(|a, b| b.height.total_cmp(&a.height));
        found.truncate(MOST);
        found
    }
}

fn every_other(plane: &Array2<f32>) -> Array2<f32> {
    plane.slice(ndarray::s![..;2, ..;2]).to_owned()
}

/// Gaussian blur of standard deviation `sigma` pixels; the border is repeated.
fn blurred(plane: &Array2<f32>, sigma: f64) -> Array2<f32> {
    let reach = (3.0 * sigma).ceil().max(1.0) as i64;
    let weights: Vec<f32> = (-reach..=reach)
        .map(|i| (-(i * i) as f64 / (2.0 * sigma * sigma)).exp() as f32)
        .collect();
    let sum: f32 = weights.iter().sum();
    let (rows, columns) = plane.dim();
    let along = |from: &Array2<f32>, by_row: bool| {
        let end = if by_row { rows } else { columns } as i64 - 1;
        Array2::from_shape_fn((rows, columns), |(r, c)| {
            let at = |i: i64| match by_row {
                true => from[[(r as i64 + i).clamp(0, end) as usize, c]],
                false => from[[r, (c as i64 + i).clamp(0, end) as usize]],
            };
            let terms = (-reach..=reach).zip(&weights).map(|(i, w)| w * at(i));
            terms.sum::<f32>() / sum
        })
    };
    along(&along(plane, false), true)
}

/// Calls `found(column, row, height)` for every extremum of the middle plane that has a place of its own.
fn extrema(planes: [&Array2<f32>; 3], mut found: impl FnMut(f32, f32, f32)) {
    let middle = planes[1];
    let (rows, columns) = middle.dim();
    for r in 1..rows.saturating_sub(1) {
        for c in 1..columns.saturating_sub(1) {
            let value = middle[[r, c]];
            if value.abs() < LEAST || !is_extremum(planes, (r, c)) {
                continue;
            }
            let at = |dr: usize, dc: usize| middle[[r + dr - 1, c + dc - 1]];
            let xx = at(1, 2) + at(1, 0) - 2.0 * value;
            let yy = at(2, 1) + at(0, 1) - 2.0 * value;
            let xy = (at(2, 2) - at(2, 0) - at(0, 2) + at(0, 0)) / 4.0;
            let (trace, determinant) = (xx + yy, xx * yy - xy * xy);
            if determinant <= 0.0
                || trace * trace * EDGE > (EDGE + 1.0) * (EDGE + 1.0) * determinant
            {
                continue;
            }
            let (dx, dy) = ((at(1, 2) - at(1, 0)) / 2.0, (at(2, 1) - at(0, 1)) / 2.0);
            // Between the samples: the top of the paraboloid through the neighbours.
            let x = ((xy * dy - yy * dx) / determinant).clamp(-0.6, 0.6);
            let y = ((xy * dx - xx * dy) / determinant).clamp(-0.6, 0.6);
            found(c as f32 + x, r as f32 + y, value.abs());
        }
    }
}

fn is_extremum(planes: [&Array2<f32>; 3], (r, c): (usize, usize)) -> bool {
    let value = planes[1][[r, c]];
    let sign = value.signum();
    planes.iter().enumerate().all(|(p, plane)| {
        (r - 1..=r + 1).all(|y| {
            (c - 1..=c + 1).all(|x| (p, y, x) == (1, r, c) || sign * plane[[y, x]] < sign * value)
        })
    })
}

/// A plane of at most `side` pixels on its longer side, by halving, and the factor.
pub(super) fn small(mut plane: Array2<f32>, side: usize) -> (Array2<f32>, usize) {
    let mut factor = 1;
    while plane.nrows().max(plane.ncols()) > side {
        plane = reduce(&plane);
        factor *= 2;
    }
    (plane, factor)
}
