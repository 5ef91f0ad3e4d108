//! What a tile sums up: the normal equations of its place, the noise in them, and what of the gradients is texture.
use super::tile::Tile;
use nalgebra::{Matrix4, SymmetricEigen, U2, Vector4};
use ndarray::Array2;
use stopspan_core::raster::{Work, dispatch_simd};

/// What smoothing by [1 2 1]/4 both ways leaves of white noise's variance. Slow texture sees all of the noise, so the
/// uncertainty is stated for that.
pub(super) const SMOOTHED: f64 = 0.140_625;
/// Mean square of half the difference of two neighbours, smoothed so, over white noise's variance: [1 2 0 -2 -1]/8 across
/// and [1 2 1]/4 along, 10/64 * 6/16.
const SLOPES: f64 = 0.058_593_75;
/// Neighbouring slopes of noise hang together: of so many only one is independent, for the spread of their mean square.
const ALIKE: f64 = 3.85;
/// Gradients count as texture from this many standard deviations above what noise has by chance.
const ABOVE_CHANCE: f64 = 3.0;

/// What of a sum of squared gradients is beyond `share` a pixel, what noise has, and its chance; 0 where nothing is.
fn beyond(sum: f64, share: f64, count: f64) -> f64 {
    let noise = share * count;
    let chance = ABOVE_CHANCE * (2.0 * ALIKE / count.max(1.0)).sqrt();
    if sum > (1.0 + chance) * noise {
        sum - noise
    } else {
        0.0
    }
}

/// What of the reference's own squared gradients is texture, for noise of this variance in the difference of the two frames.
pub(super) fn texture_alone(gradients: f64, noise: f64, count: f64) -> f64 {
    beyond(gradients, SLOPES * noise / 2.0, count)
}

/// Normal equations of one step for (columns, rows, gain, offset), with the mean gradient of both sides: efficient
/// second-order minimisation (Benhimane and Malis 2004).
pub(super) struct Sums {
    pub matrix: Matrix4<f64>,
    pub vector: Vector4<f64>,
    pub count: f64,
    /// Weighted sum of squared residuals.
    pub squares: f64,
    /// Weighted sum of squared deviations of the frame from its mean.
    pub variance: f64,
    /// Weighted squared gradients of the reference alone: xx, xy, yy.
    pub own: [f64; 3],
}

impl Sums {
    /// Variance of the noise before smoothing, as the residuals show it.
    pub fn noise(&self) -> f64 {
        self.squares / (self.count - 4.0).max(1.0) / SMOOTHED
    }

    /// What the tile knows of its place (columns, rows) whatever gain and offset are, over the noise: summed squared
    /// gradients, less those that noise alone has in directions where there are more. `inverse` is that of the matrix.
    pub fn information(&self, inverse: &Matrix4<f64>) -> Option<SymmetricEigen<f64, U2>> {
        let of_place = inverse.fixed_view::<2, 2>(0, 0).into_owned();
        let mut own = of_place.try_inverse()?.symmetric_eigen();
        let noise = self.noise();
        let texture = |sum: f64| beyond(sum, SLOPES / 2.0 * noise, self.count);
        own.eigenvalues.apply(|v| *v = texture(*v));
        Some(own)
    }

    /// The step to take, and the inverse of the matrix. Where the gradients of one direction are those of noise, as along an
    /// edge, no step is taken that way: it would follow the noise.
    pub fn step(&self) -> Option<(Vector4<f64>, Matrix4<f64>)> {
        let inverse = self.matrix.try_inverse()?;
        let mut step = inverse * self.vector;
        let own = self.information(&inverse)?;
        if own.eigenvalues.min() > 0.0 || own.eigenvalues.max() <= 0.0 {
            return Some((step, inverse));
        }
        let known = own.eigenvectors.column(own.eigenvalues.imax()).into_owned();
        let place = known * known.dot(&step.fixed_rows::<2>(0));
        // Gain and offset that belong to this place.
        let rest = self.matrix.fixed_view::<2, 2>(2, 2).try_inverse()?;
        let with = self.matrix.fixed_view::<2, 2>(2, 0) * place;
        let light = rest * (self.vector.fixed_rows::<2>(2) - with);
        step.fixed_rows_mut::<2>(0).copy_from(&place);
        step.fixed_rows_mut::<2>(2).copy_from(&light);
        Some((step, inverse))
    }

    pub fn new(tile: &Tile, seen: &Array2<f32>, gain: f64, offset: f64) -> Self {
        let [own, other, weight] =
            [&tile.luma, seen, &tile.weight].map(|plane| plane.as_slice().unwrap_or_default());
        let sums = dispatch_simd(Adding {
            planes: [own, other, weight],
            size: tile.size,
            light: (gain, offset),
        });
        let [
            normal @ ..,
            vx,
            vy,
            vg,
            vo,
            xx,
            xy,
            yy,
            count,
            weights,
            squares,
            first,
            second,
        ] = sums;
        let place = |i: usize, j: usize| i * (7 - i) / 2 + j;
        Sums {
            matrix: Matrix4::from_fn(|i, j| normal[place(i.min(j), i.max(j))]),
            vector: Vector4::new(vx, vy, vg, vo),
            count,
            squares,
            own: [xx, xy, yy],
            variance: second - first * first / f64::max(weights, 1e-12),
        }
    }
}

/// Pixels that are added up side by side.
const LANES: usize = 16;
/// Sums over a tile.
const SUMS: usize = 22;

/// Adds up the pixels of a tile: the reference's luma and the frame's, one pixel wider all round, and the weights.
struct Adding<'a> {
    planes: [&'a [f32]; 3],
    size: usize,
    /// Gain and offset.
    light: (f64, f64),
}

impl Work for Adding<'_> {
    type Output = [f64; SUMS];

    #[inline(always)]
    fn call(self) -> [f64; SUMS] {
        let side = self.size + 2;
        let mut sums = [[0f64; LANES]; SUMS];
        for r in 1..=self.size {
            let rows = self.planes.map(|plane| {
                [r - 1, r, r + 1].map(|r| plane.get(r * side..(r + 1) * side).unwrap_or_default())
            });
            for from in (1..=self.size).step_by(LANES) {
                let here = rows.map(|[above, row, below]| Lanes {
                    above: lanes(above, from),
                    row: lanes(row, from - 1),
                    below: lanes(below, from),
                });
                for l in 0..LANES {
                    let terms = terms(&here, l, self.light);
                    for (sums, term) in sums.iter_mut().zip(terms) {
                        sums[l] += term;
                    }
                }
            }
        }
        sums.map(|lanes| lanes.iter().sum())
    }
}

/// Pixels next to each other with those around them.
struct Lanes {
    above: [f32; LANES],
    row: [f32; LANES + 2],
    below: [f32; LANES],
}

impl Lanes {
    /// A pixel, and the slopes of the plane there.
    #[inline(always)]
    fn at(&self, l: usize) -> (f64, f32, f32) {
        let x = 0.5 * (self.row[l + 2] - self.row[l]);
        let y = 0.5 * (self.below[l] - self.above[l]);
        (f64::from(self.row[l + 1]), x, y)
    }
}

/// Values from a place on; no number beyond the last that takes part.
#[inline(always)]
fn lanes<const N: usize>(row: &[f32], at: usize) -> [f32; N] {
    let mut out = [f32::NAN; N];
    let row = row.get(at..).unwrap_or_default();
    match row.first_chunk::<N>() {
        Some(all) => out = *all,
        None => out.iter_mut().zip(row).for_each(|(o, v)| *o = *v),
    }
    out
}

/// What one pixel adds.
#[inline(always)]
fn terms(planes: &[Lanes; 3], l: usize, (gain, offset): (f64, f64)) -> [f64; SUMS] {
    let ((here, ax, ay), (there, bx, by)) = (planes[0].at(l), planes[1].at(l));
    let residual = gain * here + offset - there;
    let (ax, ay) = (f64::from(ax), f64::from(ay));
    let gx = 0.5 * (ax * gain + f64::from(bx));
    let gy = 0.5 * (ay * gain + f64::from(by));
    // One test for all: any sample that may not be used is no number.
    let weight = f64::from(planes[2].row[l + 1]);
    let good = (residual + gx + gy + weight).is_finite();
    let used = |v: f64| if good { v } else { 0.0 };
    let (count, weight, residual) = (used(1.0), used(weight), used(residual));
    let (here, there, gx, gy, ax, ay) = (
        used(here),
        used(there),
        used(gx),
        used(gy),
        used(ax),
        used(ay),
    );
    let (wx, wy, wg) = (weight * gx, weight * gy, -weight * here);
    [
        wx * gx,
        wx * gy,
        -wx * here,
        -wx,
        wy * gy,
        -wy * here,
        -wy,
        -wg * here,
        -wg,
        weight,
        wx * residual,
        wy * residual,
        wg * residual,
        -weight * residual,
        weight * ax * ax,
        weight * ax * ay,
        weight * ay * ay,
        count,
        weight,
        weight * residual * residual,
        weight * there,
        weight * there * there,
    ]
}
