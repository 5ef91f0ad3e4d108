//! Sums over the pixels of a tile: normal equations of its position, noise variance, and gradient energy beyond noise.
use super::refine::GainOffset;
use super::tile::Tile;
use nalgebra::{Matrix4, SymmetricEigen, U2, Vector4};
use ndarray::Array2;
use stopspan_core::raster::{Work, dispatch_simd};

/// Variance of white noise after smoothing by [1 2 1]/4 along both axes, relative to before. Uncertainties are stated for texture
/// of low spatial frequency, on which the unsmoothed noise acts in full.
pub(super) const SMOOTHED: f64 = 0.140_625;
/// Mean square gradient (half the difference of the two neighbours) of white noise after that smoothing, relative to the variance
/// before: [1 2 0 -2 -1]/8 across and [1 2 1]/4 along, 10/64 * 6/16.
const NOISE_GRADIENT: f64 = 0.058_593_75;
/// Number of pixels per statistically independent gradient of smoothed noise, for the variance of the mean square.
const PIXELS_PER_INDEPENDENT: f64 = 3.85;
/// Threshold above the expected gradient energy of noise, in its standard deviations, from which gradients count as texture.
const SIGNIFICANCE: f64 = 3.0;

/// A sum of squared gradients over `count` pixels minus that of noise, `per_pixel` each; 0 if the excess is not significant.
fn excess(sum: f64, per_pixel: f64, count: f64) -> f64 {
    let noise = per_pixel * count;
    let threshold = SIGNIFICANCE * (2.0 * PIXELS_PER_INDEPENDENT / count.max(1.0)).sqrt();
    if sum > (1.0 + threshold) * noise {
        sum - noise
    } else {
        0.0
    }
}

/// Sum of the reference's squared gradients over `count` pixels that is due to texture, for a noise variance `noise` of the
/// difference of the two frames; 0 if not significant.
pub(super) fn texture_energy(gradients: f64, noise: f64, count: f64) -> f64 {
    excess(gradients, NOISE_GRADIENT * noise / 2.0, count)
}

/// Normal equations of one step for (columns, rows, gain, offset), from the mean gradient of both frames: efficient second-order
/// minimisation (Benhimane and Malis 2004).
pub(super) struct Sums {
    pub matrix: Matrix4<f64>,
    pub vector: Vector4<f64>,
    /// Number of usable pixels.
    pub count: f64,
    /// Weighted sum of squared residuals, levels squared.
    pub squares: f64,
    /// Weighted sum of squared deviations of the frame from its mean.
    pub variance: f64,
    /// Weighted sums of products of the reference's gradients: xx, xy, yy.
    pub own: [f64; 3],
}

impl Sums {
    /// Noise variance before smoothing, levels squared, estimated from the residuals.
    pub fn noise(&self) -> f64 {
        self.squares / (self.count - 4.0).max(1.0) / SMOOTHED
    }

    /// Information on the position (columns, rows), times the noise variance, with gain and offset marginalised: summed squared
    /// gradients along the principal directions, minus those of noise; 0 in directions without significant texture. `inverse` is
    /// the inverse of `matrix`.
    pub fn information(&self, inverse: &Matrix4<f64>) -> Option<SymmetricEigen<f64, U2>> {
        let position = inverse.fixed_view::<2, 2>(0, 0).into_owned();
        let mut own = position.try_inverse()?.symmetric_eigen();
        let noise = self.noise();
        let texture = |sum: f64| excess(sum, NOISE_GRADIENT / 2.0 * noise, self.count);
        own.eigenvalues.apply(|v| *v = texture(*v));
        Some(own)
    }

    /// Step of gain and offset alone. `None` if they are not determined.
    pub fn levels(&self) -> Option<[f64; 2]> {
        let matrix = self.matrix.fixed_view::<2, 2>(2, 2).try_inverse()?;
        let step = matrix * self.vector.fixed_rows::<2>(2);
        Some([step[0], step[1]])
    }

    /// The step (columns, rows, gain, offset), and the inverse of the matrix. No step is taken in a direction without significant
    /// texture, as along an edge, where it would follow the noise. `None` if the matrix is singular.
    pub fn step(&self) -> Option<(Vector4<f64>, Matrix4<f64>)> {
        let inverse = self.matrix.try_inverse()?;
        let mut step = inverse * self.vector;
        let own = self.information(&inverse)?;
        if own.eigenvalues.min() > 0.0 || own.eigenvalues.max() <= 0.0 {
            return Some((step, inverse));
        }
        let known = own.eigenvectors.column(own.eigenvalues.imax()).into_owned();
        let shift = known * known.dot(&step.fixed_rows::<2>(0));
        // Gain and offset for this shift.
        let rest = self.matrix.fixed_view::<2, 2>(2, 2).try_inverse()?;
        let with = self.matrix.fixed_view::<2, 2>(2, 0) * shift;
        let levels = rest * (self.vector.fixed_rows::<2>(2) - with);
        step.fixed_rows_mut::<2>(0).copy_from(&shift);
        step.fixed_rows_mut::<2>(2).copy_from(&levels);
        Some((step, inverse))
    }

    /// Sums over the tile and `samples` of the frame at its pixels and a margin of one pixel, for the current `levels`.
    pub fn new(tile: &Tile, samples: &Array2<f32>, levels: GainOffset) -> Self {
        let [own, other, weight] =
            [&tile.luma, samples, &tile.weight].map(|plane| plane.as_slice().unwrap_or_default());
        let sums = dispatch_simd(TileAccumulation {
            planes: [own, other, weight],
            size: tile.size,
            levels,
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
        let index = |i: usize, j: usize| i * (7 - i) / 2 + j;
        Sums {
            matrix: Matrix4::from_fn(|i, j| normal[index(i.min(j), i.max(j))]),
            vector: Vector4::new(vx, vy, vg, vo),
            count,
            squares,
            own: [xx, xy, yy],
            variance: second - first * first / f64::max(weights, 1e-12),
        }
    }
}

/// Number of pixels accumulated in parallel.
const LANES: usize = 16;
/// Number of sums over a tile.
const SUMS: usize = 22;

/// Accumulates the sums over the pixels of a tile.
struct TileAccumulation<'a> {
    /// Luma of the reference frame, luma of the frame, and weights, each with a margin of one pixel.
    planes: [&'a [f32]; 3],
    /// Side of the tile, pixels.
    size: usize,
    levels: GainOffset,
}

impl Work for TileAccumulation<'_> {
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
                    let terms = terms(&here, l, self.levels);
                    for (sums, term) in sums.iter_mut().zip(terms) {
                        sums[l] += term;
                    }
                }
            }
        }
        sums.map(|lanes| lanes.iter().sum())
    }
}

/// Neighbouring pixels of a row with their neighbours on all sides.
struct Lanes {
    above: [f32; LANES],
    row: [f32; LANES + 2],
    below: [f32; LANES],
}

impl Lanes {
    /// Value and gradient (along columns, along rows) at pixel `l`.
    #[inline(always)]
    fn at(&self, l: usize) -> (f64, f32, f32) {
        let x = 0.5 * (self.row[l + 2] - self.row[l]);
        let y = 0.5 * (self.below[l] - self.above[l]);
        (f64::from(self.row[l + 1]), x, y)
    }
}

/// `N` values of a row from index `at`; NaN beyond its end.
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

/// Contribution of pixel `l` to each sum.
#[inline(always)]
fn terms(planes: &[Lanes; 3], l: usize, levels: GainOffset) -> [f64; SUMS] {
    let GainOffset { gain, offset } = levels;
    let ((here, ax, ay), (there, bx, by)) = (planes[0].at(l), planes[1].at(l));
    let residual = gain * here + offset - there;
    let (ax, ay) = (f64::from(ax), f64::from(ay));
    let gx = 0.5 * (ax * gain + f64::from(bx));
    let gy = 0.5 * (ay * gain + f64::from(by));
    // Unusable samples are NaN, so that one test covers them all.
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
