//! Demosaicing by gradient-corrected linear interpolation (Malvar, He and Cutler 2004), held within the neighbours at edges.
//!
//! The corrections have negative lobes. Beside something hundreds of times brighter, which linear pictures of wide range
//! hold, they would ring below zero; there the result is held between the smallest and the largest of the neighbours that
//! have the colour. Everywhere else the filters are as published, and noise goes through them as through any linear filter.
use super::Mosaic;
use ndarray::Array3;
use rayon::prelude::*;
use std::ops::Range;

/// Neighbours further apart than this factor, noise allowed for, are an edge.
const EDGE: f32 = 4.0;
/// Noise allowed for, in standard deviations of the darkest samples.
const FLOOR: f32 = 8.0;
/// Rows and columns that a filter reaches to each side.
pub const REACH: usize = 2;

/// Samples of a mosaic, row by row: some rows of a picture, of which the first has the given number in the mosaic.
#[derive(Debug, Clone, Copy)]
pub struct Sites<'a> {
    /// One sample a pixel.
    pub samples: &'a [f32],
    /// Columns, even and at least 4.
    pub columns: usize,
    /// Filters as seen from the first sample.
    pub mosaic: Mosaic,
}

/// The full-colour picture (rows, columns, 3) of some of the rows of `sites`. Beyond the first and last row that is there the
/// rows are mirrored. `noise` is the standard deviation of the darkest samples, same unit.
pub fn demosaic(sites: Sites, rows: Range<usize>, noise: f32) -> Array3<f32> {
    each_pixel(sites, rows, |n, kind| estimate(n, kind, FLOOR * noise))
}

/// Variances through the same filters: of every colour of every pixel from the variance of every sample, noise of
/// different samples being independent.
pub fn demosaic_variance(sites: Sites, rows: Range<usize>) -> Array3<f32> {
    each_pixel(sites, rows, variance)
}

/// What the centre of a neighbourhood is.
#[derive(Clone, Copy)]
enum Kind {
    /// Red or blue.
    Coloured,
    /// Green with red to the left and right.
    GreenInRedRow,
    /// Green with blue to the left and right.
    GreenInBlueRow,
}

/// Five rows around a pixel, and its column.
struct Near<'a> {
    rows: [&'a [f32]; 5],
    column: usize,
}

impl Near<'_> {
    #[inline(always)]
    fn at(&self, down: usize, across: usize) -> f32 {
        self.rows[down][self.column + across]
    }
}

fn each_pixel(
    sites: Sites,
    range: Range<usize>,
    value: impl Fn(&Near, Kind) -> [f32; 3] + Sync,
) -> Array3<f32> {
    let columns = sites.columns;
    let height = sites.samples.len() / columns.max(1);
    let mut out = Array3::zeros((range.len(), columns, 3));
    if columns < 4 || height < 4 {
        return out;
    }
    let lines = out.as_slice_mut().unwrap_or_default();
    lines.par_chunks_mut(columns * 3).zip(range).for_each_init(
        || vec![0.0; 5 * (columns + 2 * REACH)],
        |padded, (line, row)| {
            for (k, to) in padded.chunks_exact_mut(columns + 2 * REACH).enumerate() {
                let from = mirrored(row as isize + k as isize - REACH as isize, height);
                let from = &sites.samples[from * columns..][..columns];
                to[REACH..REACH + columns].copy_from_slice(from);
                (to[0], to[1]) = (from[2], from[1]);
                (to[columns + 2], to[columns + 3]) = (from[columns - 2], from[columns - 3]);
            }
            let width = columns + 2 * REACH;
            let rows = std::array::from_fn(|k| &padded[k * width..(k + 1) * width]);
            let kinds = [0, 1].map(|c| kind(&sites.mosaic, row, c));
            let swaps = [0, 1].map(|c| sites.mosaic.colour(row, c) == 2);
            for (column, pixel) in line.chunks_exact_mut(3).enumerate() {
                let mut rgb = value(&Near { rows, column }, kinds[column % 2]);
                // The filters are written for red; at a blue pixel red and blue change places.
                if swaps[column % 2] {
                    rgb.swap(0, 2);
                }
                pixel.copy_from_slice(&rgb);
            }
        },
    );
    out
}

/// A row's number with the picture mirrored at its first and last row, which keeps the mosaic.
fn mirrored(row: isize, height: usize) -> usize {
    let last = height as isize - 1;
    let row = row.abs();
    (if row > last { 2 * last - row } else { row }).clamp(0, last) as usize
}

fn kind(mosaic: &Mosaic, row: usize, column: usize) -> Kind {
    match (mosaic.colour(row, column), mosaic.colour(row, column + 1)) {
        (1, 0) => Kind::GreenInRedRow,
        (1, _) => Kind::GreenInBlueRow,
        _ => Kind::Coloured,
    }
}

/// Sums that the filters are made of.
struct Parts {
    centre: f32,
    above_below: [f32; 2],
    beside: [f32; 2],
    /// Two rows up, two down, two columns left, two right: of the centre's colour.
    far: [f32; 4],
    diagonal: [f32; 4],
}

#[inline(always)]
fn parts(n: &Near) -> Parts {
    Parts {
        centre: n.at(2, 2),
        above_below: [n.at(1, 2), n.at(3, 2)],
        beside: [n.at(2, 1), n.at(2, 3)],
        far: [n.at(0, 2), n.at(4, 2), n.at(2, 0), n.at(2, 4)],
        diagonal: [n.at(1, 1), n.at(1, 3), n.at(3, 1), n.at(3, 3)],
    }
}

#[inline(always)]
fn sum(values: &[f32]) -> f32 {
    values.iter().sum()
}

/// The five filters of the paper's figure 2, each as the mean of the neighbours of that colour plus a correction.
#[inline(always)]
fn estimate(n: &Near, kind: Kind, floor: f32) -> [f32; 3] {
    let p = parts(n);
    let far = sum(&p.far);
    let own = extremes(&[p.centre, p.far[0], p.far[1], p.far[2], p.far[3]]);
    match kind {
        Kind::Coloured => {
            let cross = [p.above_below[0], p.above_below[1], p.beside[0], p.beside[1]];
            let green = 0.25 * sum(&cross) + 0.5 * p.centre - 0.125 * far;
            let other = 0.25 * sum(&p.diagonal) + 0.75 * p.centre - 0.1875 * far;
            [
                p.centre,
                held(green, &cross, own, floor),
                held(other, &p.diagonal, own, floor),
            ]
        }
        Kind::GreenInRedRow | Kind::GreenInBlueRow => {
            let common = 0.625 * p.centre - 0.125 * sum(&p.diagonal);
            let (vertical, horizontal) = (p.far[0] + p.far[1], p.far[2] + p.far[3]);
            let across = 0.5 * sum(&p.beside) + common - 0.125 * horizontal + 0.0625 * vertical;
            let down = 0.5 * sum(&p.above_below) + common - 0.125 * vertical + 0.0625 * horizontal;
            let corners = extremes(&p.diagonal);
            let own = (own.0.min(corners.0), own.1.max(corners.1));
            let across = held(across, &p.beside, own, floor);
            let down = held(down, &p.above_below, own, floor);
            match kind {
                Kind::GreenInRedRow => [across, p.centre, down],
                _ => [down, p.centre, across],
            }
        }
    }
}

#[inline(always)]
fn extremes(values: &[f32]) -> (f32, f32) {
    let start = (f32::INFINITY, f32::NEG_INFINITY);
    values
        .iter()
        .fold(start, |(low, high), &v| (low.min(v), high.max(v)))
}

/// The estimate, between the extremes of the neighbours that have the colour where those, or the samples of the centre's
/// colour, show an edge.
#[inline(always)]
fn held(estimate: f32, neighbours: &[f32], own: (f32, f32), floor: f32) -> f32 {
    let (low, high) = extremes(neighbours);
    let edge = |(low, high): (f32, f32)| high > EDGE * low.max(0.0) + floor;
    // What is not finite stays so: clipped samples are told by it.
    if (edge((low, high)) || edge(own)) && estimate.is_finite() {
        estimate.clamp(low, high)
    } else {
        estimate
    }
}

/// Squares of the same weights.
#[inline(always)]
fn variance(n: &Near, kind: Kind) -> [f32; 3] {
    let p = parts(n);
    let far = sum(&p.far);
    match kind {
        Kind::Coloured => {
            let cross = sum(&p.above_below) + sum(&p.beside);
            [
                p.centre,
                (4.0 * cross + 16.0 * p.centre + far) / 64.0,
                (4.0 * sum(&p.diagonal) + 36.0 * p.centre + 2.25 * far) / 64.0,
            ]
        }
        Kind::GreenInRedRow | Kind::GreenInBlueRow => {
            let common = 25.0 * p.centre + sum(&p.diagonal);
            let (vertical, horizontal) = (p.far[0] + p.far[1], p.far[2] + p.far[3]);
            let across = (16.0 * sum(&p.beside) + common + horizontal + 0.25 * vertical) / 64.0;
            let down = (16.0 * sum(&p.above_below) + common + vertical + 0.25 * horizontal) / 64.0;
            match kind {
                Kind::GreenInRedRow => [across, p.centre, down],
                _ => [down, p.centre, across],
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mosaic_of(
        colours: [u8; 4],
        rows: usize,
        columns: usize,
        scene: impl Fn(usize, usize, usize) -> f32,
    ) -> (Vec<f32>, Mosaic) {
        let mosaic = Mosaic::new(colours).unwrap();
        let place = |i: usize| (i / columns, i % columns);
        let samples = (0..rows * columns).map(place);
        let samples = samples.map(|(r, c)| scene(r, c, mosaic.colour(r, c)));
        (samples.collect(), mosaic)
    }

    const ALL: [[u8; 4]; 4] = [[0, 1, 1, 2], [2, 1, 1, 0], [1, 0, 2, 1], [1, 2, 0, 1]];

    /// The filters are exact for colours that differ by a constant on a slope: gradients of all colours are the same there.
    #[test]
    fn a_slope_with_constant_colour_differences_comes_back() {
        for colours in ALL {
            let scene = |r: usize, c: usize, k: usize| {
                20.0 + 0.3 * r as f32 - 0.2 * c as f32 + [3.0, 5.0, 1.0][k]
            };
            let (samples, mosaic) = mosaic_of(colours, 12, 10, scene);
            let sites = Sites {
                samples: &samples,
                columns: 10,
                mosaic,
            };
            let found = demosaic(sites, 0..12, 0.1);
            for ((r, c, k), v) in found.indexed_iter() {
                // Mirrored borders bend the slope.
                let inside = (2..10).contains(&r) && (2..8).contains(&c);
                assert!(
                    !inside || (v - scene(r, c, k)).abs() < 1e-5,
                    "{colours:?} {r} {c} {k}: {v}"
                );
            }
            let part = demosaic(sites, 3..7, 0.1);
            assert_eq!(part, found.slice(ndarray::s![3..7, .., ..]));
        }
    }

    /// Every response to a unit impulse, summed in squares, is what the variance filter says: the one is the other's twin.
    #[test]
    fn variances_are_sums_of_squared_weights() {
        for colours in ALL {
            let (rows, columns, at) = (14, 16, (7usize, 8usize));
            let mut energy = [0.0f32; 3];
            for i in 0..rows * columns {
                let mut samples = vec![0.0; rows * columns];
                samples[i] = 1.0;
                let mosaic = Mosaic::new(colours).unwrap();
                let sites = Sites {
                    samples: &samples,
                    columns,
                    mosaic,
                };
                let found = demosaic(sites, at.0..at.0 + 1, 1.0);
                for (k, e) in energy.iter_mut().enumerate() {
                    *e += found[[0, at.1, k]].powi(2);
                }
            }
            let ones = vec![1.0; rows * columns];
            let mosaic = Mosaic::new(colours).unwrap();
            let sites = Sites {
                samples: &ones,
                columns,
                mosaic,
            };
            let stated = demosaic_variance(sites, at.0..at.0 + 1);
            for (k, e) in energy.iter().enumerate() {
                assert!(
                    (e - stated[[0, at.1, k]]).abs() < 1e-6,
                    "{colours:?} {k}: {e}"
                );
            }
        }
    }

    #[test]
    fn nothing_rings_below_zero_beside_a_lamp() {
        let scene = |_: usize, c: usize, _: usize| if c < 8 { 0.001 } else { 1.0 };
        for colours in ALL {
            let (samples, mosaic) = mosaic_of(colours, 12, 16, scene);
            let sites = Sites {
                samples: &samples,
                columns: 16,
                mosaic,
            };
            let found = demosaic(sites, 0..12, 1e-5);
            let least = found.iter().copied().fold(f32::INFINITY, f32::min);
            assert!(least >= 0.001 * (1.0 - 1e-6), "{colours:?}: {least}");
        }
    }
}
