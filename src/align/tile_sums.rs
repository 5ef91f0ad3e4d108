//! What a tile sums up: the normal equations of its place, the noise in them, and what of the gradients is texture.
use super::tile::Tile;
use nalgebra::{Matrix4, SymmetricEigen, U2, Vector4};
use ndarray::Array2;

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
        let mut normal = [[0f64; 4]; 4];
        let mut vector = [0f64; 4];
        let mut own = [0f64; 3];
        let (mut count, mut squares, mut first, mut second, mut weights) =
            (0.0, 0.0, 0.0, 0.0, 0.0);
        let (a, b) = (&tile.luma, seen);
        for r in 1..=tile.size {
            for c in 1..=tile.size {
                let slope = |p: &Array2<f32>| {
                    (
                        0.5 * (p[[r, c + 1]] - p[[r, c - 1]]),
                        0.5 * (p[[r + 1, c]] - p[[r - 1, c]]),
                    )
                };
                let ((ax, ay), (bx, by)) = (slope(a), slope(b));
                let here = f64::from(a[[r, c]]);
                let there = f64::from(b[[r, c]]);
                let residual = gain * here + offset - there;
                let gx = 0.5 * (f64::from(ax) * gain + f64::from(bx));
                let gy = 0.5 * (f64::from(ay) * gain + f64::from(by));
                // One test for all: any sample that may not be used is NaN.
                let weight = f64::from(tile.weight[[r, c]]);
                if !(residual + gx + gy + weight).is_finite() {
                    continue;
                }
                let row = [gx, gy, -here, -1.0];
                for i in 0..4 {
                    for j in i..4 {
                        normal[i][j] += weight * row[i] * row[j];
                    }
                    vector[i] += weight * row[i] * residual;
                }
                let (ax, ay) = (f64::from(ax), f64::from(ay));
                for (own, square) in own.iter_mut().zip([ax * ax, ax * ay, ay * ay]) {
                    *own += weight * square;
                }
                count += 1.0;
                weights += weight;
                squares += weight * residual * residual;
                first += weight * there;
                second += weight * there * there;
            }
        }
        Sums {
            matrix: Matrix4::from_fn(|i, j| normal[i.min(j)][i.max(j)]),
            vector: Vector4::from(vector),
            count,
            squares,
            own,
            variance: second - first * first / f64::max(weights, 1e-12),
        }
    }
}
