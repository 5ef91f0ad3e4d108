//! Detail by local Laplacian filtering (Paris, Hasinoff and Kautz 2011), with sampled grounds (Aubry, Paris, Hasinoff,
//! Kautz and Durand 2014).
//!
//! About a ground g the picture is remapped to T(l) + w d exp(-d^2 / 2 s^2), where T is the tone scale and d = l - g. The
//! pyramid of T(l) is the same for all grounds and collapses to T(l) itself, so only the second term goes through
//! pyramids: what comes out is added to T(l).
use super::bands::{collapsed, pyramid};
use super::scene::exp2;
use super::table::Table;
use super::tone_scale::UNIT;
use ndarray::Array2;
use rayon::prelude::*;
use stopspan_core::raster::{Work, dispatch_simd, expand_into};

/// Rows in one parallel task.
const BAND: usize = 16;

/// Standard deviation of the remapping, stops: variations below it are detail, larger ones edges.
const WIDTH: f32 = 0.8;
/// Distance of grounds, stops, and their largest number.
const GROUNDS: (f64, usize) = (0.35, 90);
/// Largest factor on the slope of the tone scale, and slope up to which detail is lifted in any case, L* a stop.
const MOST: (f64, f64) = (8.0, 24.0);
/// Share by which detail is lifted less, about this L*, over this deviation, L*: between what the frame shows well and what it lost,
/// where grass and pavement become gritty.
const CALM: (f64, f64, f64) = (0.2, 30.0, 10.0);
/// Variance below which a window counts as flat when the gain is fitted, stops squared.
pub(super) const FLAT: f64 = 4e-4;
/// Size of the longest side, pixels, at which the levels of [`detail_slope`] are counted.
const NOMINAL: f64 = 1024.0;

/// Slope that detail of a level of the pyramid is given, L* a stop, between that of the tone scale and [`MOST`]. Level 0
/// is the finest of a picture [`NOMINAL`] pixels wide.
fn detail_slope(level: f64) -> f64 {
    14.0 + 15.0 / (1.0 + (level - 3.5).exp2())
}

/// Weight of detail of a level about a ground: its slope over that of the tone scale there.
fn weight(scale: &Table, ground: f32, level: f64, detail: f64) -> f32 {
    let slope = f64::from(scale.slope(ground)) * UNIT;
    let lightness = 50.0 + f64::from(scale.at(ground)) * UNIT;
    let calm = CALM.0 * (-0.5 * ((lightness - CALM.1) / CALM.2).powi(2)).exp();
    let most = (MOST.0 * slope).max(MOST.1).max(slope);
    let wanted = (detail_slope(level) * (1.0 - calm)).clamp(slope, most);
    ((detail * wanted - slope) / UNIT) as f32
}

/// What to add to the tone scale of each pixel, in [`UNIT`]s of L*. `plane` is finite log2 luminance, `ends` the lowest
/// and the highest ground, `detail` a factor on the contrast of detail.
pub(super) fn boost(
    plane: &Array2<f32>,
    scale: &Table,
    ends: [f64; 2],
    detail: f64,
) -> Array2<f32> {
    let (rows, columns) = plane.dim();
    if rows == 0 || columns == 0 {
        return plane.clone();
    }
    let depth = rows.min(columns).ilog2().saturating_sub(1) as usize;
    let finest = (NOMINAL / rows.max(columns) as f64).log2();
    let means = pyramid(plane.clone(), depth);
    let mut sums: Vec<Array2<f32>> = means.iter().map(|m| Array2::zeros(m.dim())).collect();
    for ground in grounds(ends) {
        let remapped = pyramid(remap(plane, ground.at), depth);
        for (level, sum) in sums.iter_mut().enumerate() {
            let ground = Ground {
                weight: weight(scale, ground.at, finest + level as f64, detail),
                ..ground
            };
            ground.add_band(&means[level], &remapped[level..], sum);
        }
    }
    collapsed(sums)
}

/// One of the grounds, its distance to the next, stops, and the weight of detail about it.
#[derive(Clone, Copy)]
struct Ground {
    at: f32,
    step: f32,
    low: f32,
    high: f32,
    weight: f32,
}

impl Ground {
    /// Adds a band of a Laplacian pyramid (Burt and Adelson 1983) to `sum`, by nearness of the local `mean` to the
    /// ground. `levels` are the band's level of the remapped picture and those above; the last is the remainder.
    fn add_band(&self, mean: &Array2<f32>, levels: &[Array2<f32>], sum: &mut Array2<f32>) {
        let columns = sum.ncols();
        let (Some(mean), Some(fine)) = (mean.as_slice(), levels[0].as_slice()) else {
            return;
        };
        let add = |row: usize, coarse: &[f32], sum: &mut [f32]| {
            let from = row * columns..(row + 1) * columns;
            let pixels = mean[from.clone()].iter().zip(&fine[from]);
            for ((sum, coarse), (mean, fine)) in sum.iter_mut().zip(coarse).zip(pixels) {
                let mean = mean.clamp(self.low, self.high);
                let share = (1.0 - ((mean - self.at) / self.step).abs()).max(0.0);
                *sum += share * self.weight * (fine - coarse);
            }
        };
        match levels.get(1) {
            Some(coarser) => expand_into(coarser, sum, add),
            None => {
                let none = vec![0.0; columns];
                for (row, mut sum) in sum.rows_mut().into_iter().enumerate() {
                    add(row, &none, sum.as_slice_mut().unwrap_or_default());
                }
            }
        }
    }
}

fn grounds([low, high]: [f64; 2]) -> impl Iterator<Item = Ground> {
    let range = (high - low).max(0.0);
    let count = ((range / GROUNDS.0).ceil() as usize).clamp(1, GROUNDS.1);
    let step = (range / count as f64).max(1e-3);
    let place = move |i: usize| (low + i as f64 * step) as f32;
    (0..=count).map(move |i| Ground {
        at: place(i),
        step: step as f32,
        low: place(0),
        high: place(count),
        weight: 0.0,
    })
}

/// Detail about a ground, without its weight.
fn remap(plane: &Array2<f32>, ground: f32) -> Array2<f32> {
    let mut out = Array2::zeros(plane.dim());
    let columns = plane.ncols();
    if let (Some(from), Some(to)) = (plane.as_slice(), out.as_slice_mut()) {
        to.par_chunks_mut(columns * BAND)
            .zip(from.par_chunks(columns * BAND))
            .for_each(|(to, from)| dispatch_simd(Remap { from, ground, to }));
    }
    out
}

struct Remap<'a> {
    from: &'a [f32],
    ground: f32,
    to: &'a mut [f32],
}

impl Work for Remap<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        const SHARP: f32 = -0.5 * std::f32::consts::LOG2_E / (WIDTH * WIDTH);
        for (to, from) in self.to.iter_mut().zip(self.from) {
            let d = from - self.ground;
            *to = d * exp2(SHARP * d * d);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::histogram::Histogram;
    use super::super::tone_scale::tone_scale;
    use super::*;
    use stopspan_core::raster::expand;

    fn scene() -> Array2<f32> {
        Array2::from_shape_fn((40, 56), |(r, c)| {
            let (y, x) = (r as f32, c as f32);
            let edge = if x + 0.3 * y > 30.0 { 3.5 } else { 0.0 };
            edge + 1.2 * (0.21 * x).sin() * (0.17 * y).cos()
                + 0.3 * ((r * 7 + c * 5) % 6) as f32 / 6.0
        })
    }

    /// The slow twin, as the paper defines the filter: every coefficient from a remapping of the whole picture about its
    /// own ground, tone scale and all.
    fn slow(plane: &Array2<f32>, scale: &Table, detail: f64) -> Array2<f32> {
        let depth = plane.nrows().min(plane.ncols()).ilog2() as usize - 1;
        let finest = (NOMINAL / plane.nrows().max(plane.ncols()) as f64).log2();
        let mut levels = pyramid(plane.clone(), depth);
        for level in 0..=depth {
            let means = levels[level].clone();
            for (at, out) in levels[level].indexed_iter_mut() {
                let ground = means[at];
                let weight = weight(scale, ground, finest + level as f64, detail);
                let remapped = pyramid(
                    plane.mapv(|v| {
                        let d = v - ground;
                        scale.at(v) + weight * d * (-0.5 * (d / WIDTH).powi(2)).exp()
                    }),
                    depth,
                );
                let coarse = remapped.get(level + 1).map_or(0.0, |coarser| {
                    let (rows, columns) = means.dim();
                    expand(coarser, rows, columns)[at]
                });
                *out = remapped[level][at] - coarse;
            }
        }
        collapsed(levels)
    }

    #[test]
    fn sampled_grounds_follow_the_filter_coefficient_by_coefficient() {
        let plane = scene();
        let histogram = Histogram::of(&plane);
        let scale = tone_scale(&histogram, [-2.4, -0.9, 1.0, 2.3]);
        let ends = [0.0, 1.0].map(|share| histogram.quantile(share));
        for detail in [0.5, 1.0, 2.0] {
            let fast = boost(&plane, &scale, ends, detail);
            let exact = slow(&plane, &scale, detail);
            let off: Vec<f64> = fast
                .indexed_iter()
                .map(|(at, b)| UNIT * f64::from((scale.at(plane[at]) + b - exact[at]).abs()))
                .collect();
            let mean = off.iter().sum::<f64>() / off.len() as f64;
            let most = off.iter().copied().fold(0.0, f64::max);
            assert!(
                mean < 0.3 && most < 2.0,
                "{detail}: mean {mean}, most {most}"
            );
        }
    }

    #[test]
    fn without_detail_the_tone_scale_is_all() {
        let plane = Array2::from_elem((9, 13), 0.7);
        let scale = tone_scale(&Histogram::of(&plane), [-3.4, -1.9, 0.0, 1.3]);
        for b in &boost(&plane, &scale, [0.7, 0.7], 1.0) {
            assert!(b.abs() < 1e-6, "{b}");
        }
    }
}
