//! Demosaicing by gradient-corrected linear interpolation (Malvar, He and Cutler 2004), clamped at edges.
//!
//! The corrections have negative lobes. Next to a sample hundreds of times brighter, which occurs in linear pictures
//! of wide range, they would overshoot below zero. There the result is clamped to the range of the neighbours of its
//! colour. Elsewhere the filters are as published, and noise passes through them as through any linear filter.
//!
//! Samples of a row that share a filter are contiguous in a plane of the mosaic, so the loops run over planes. The
//! filters are in `filters`.
mod filters;
#[cfg(test)]
mod tests;

use super::{Mosaic, Work, dispatch_simd};
use filters::{Estimate, Filter, Kind, Neighbourhood, Variance};
use rayon::prelude::*;
use std::ops::Range;

/// Allowance for noise at edges, in standard deviations of the darkest samples.
const FLOOR: f32 = 8.0;
/// Rows and columns that a filter reaches to each side.
pub const REACH: usize = 2;
/// Pixels filtered in one step.
const LANES: usize = 64;
/// Rows laid out together with their surroundings.
const BAND: usize = 16;

/// Rows of a mosaic as planes.
#[derive(Debug, Clone, Copy)]
pub struct Sites<'a> {
    /// Planes in the order of [`PLANES`](super::mosaic::PLANES), each row by row, half the width and height of the
    /// picture.
    pub planes: [&'a [f32]; 4],
    /// Columns of a plane, at least 2.
    pub across: usize,
    /// The mosaic as seen from the first sample.
    pub mosaic: Mosaic,
}

/// Red, green and blue of some `rows` of the picture, each row by row. The picture is mirrored at its first and last
/// row. `noise` is the standard deviation of the darkest samples, in their unit.
pub fn demosaic(sites: Sites, rows: Range<usize>, noise: f32) -> [Vec<f32>; 3] {
    let floor = FLOOR * noise;
    each_row(sites, rows, Estimate { floor })
}

/// Variances of the demosaiced colours of some rows, from a variance for every sample; the noise of different samples
/// is taken to be independent.
pub fn demosaic_variance(sites: Sites, rows: Range<usize>) -> [Vec<f32>; 3] {
    each_row(sites, rows, Variance)
}

fn each_row(sites: Sites, range: Range<usize>, filter: impl Filter) -> [Vec<f32>; 3] {
    let across = sites.across;
    let columns = 2 * across;
    let down = sites.planes.iter().map(|p| p.len()).min().unwrap_or(0) / across.max(1);
    let mut out = [(); 3].map(|()| vec![0.0f32; range.len() * columns]);
    if across < 2 || down < 2 {
        return out;
    }
    let [red, green, blue] = &mut out;
    let bands = red
        .par_chunks_mut(BAND * columns)
        .zip(green.par_chunks_mut(BAND * columns))
        .zip(blue.par_chunks_mut(BAND * columns));
    bands.enumerate().for_each(|(i, ((red, green), blue))| {
        let first = range.start + i * BAND;
        let mut band = Band::new(&sites, first..first + red.len() / columns, down);
        let lines = red
            .chunks_exact_mut(columns)
            .zip(green.chunks_exact_mut(columns))
            .zip(blue.chunks_exact_mut(columns));
        for (k, ((red, green), blue)) in lines.enumerate() {
            band.row(k, first + k, &sites.mosaic, filter);
            for (colour, line) in [red, green, blue].into_iter().enumerate() {
                let [even, odd] = &band.done;
                interleave(&even[colour], &odd[colour], line);
            }
        }
    });
    out
}

/// Some rows with their surroundings: even and odd columns separate, with one more sample at each end.
struct Band {
    width: usize,
    /// Starts [`REACH`] rows before the first row; each row has its even columns first, then its odd ones.
    samples: Vec<f32>,
    /// Red, green and blue of the current row, at even and at odd columns.
    done: [[Vec<f32>; 3]; 2],
}

impl Band {
    fn new(sites: &Sites, rows: Range<usize>, down: usize) -> Self {
        let across = sites.across;
        let rounded = across.div_ceil(LANES) * LANES;
        let width = rounded + 2;
        let order = sites.mosaic.planes();
        let mut samples = vec![0.0; (rows.len() + 2 * REACH) * 2 * width];
        for (k, halves) in samples.chunks_exact_mut(2 * width).enumerate() {
            let row = mirrored((rows.start + k) as isize - REACH as isize, 2 * down);
            for (side, to) in halves.chunks_exact_mut(width).enumerate() {
                let from = &sites.planes[order[row % 2 * 2 + side]][row / 2 * across..][..across];
                to[1..=across].copy_from_slice(from);
                // Columns are mirrored: column -2 is column 2, column -1 is column 1.
                to[0] = from[1 - side];
                to[across + 1] = from[across - 1 - side];
            }
        }
        Band {
            width,
            samples,
            done: [(); 2].map(|()| [(); 3].map(|()| vec![0.0; rounded])),
        }
    }

    /// Filters row `k` of the band, which is row `row` of the picture.
    fn row(&mut self, k: usize, row: usize, mosaic: &Mosaic, filter: impl Filter) {
        let width = self.width;
        let near: [[&[f32]; 2]; 5] = std::array::from_fn(|d| {
            let halves = &self.samples[(k + d) * 2 * width..][..2 * width];
            [&halves[..width], &halves[width..]]
        });
        for (side, out) in self.done.iter_mut().enumerate() {
            let kind = kind(mosaic, row, side);
            // The filters are written for a red pixel; at a blue one red and blue are exchanged.
            let swap = mosaic.colour(row, side) == 2;
            dispatch_simd(HalfRow {
                near: &near,
                side,
                kind,
                swap,
                filter,
                out,
            });
        }
    }
}

/// The pixels of a row at its even or odd columns.
struct HalfRow<'a, F> {
    near: &'a [[&'a [f32]; 2]; 5],
    side: usize,
    kind: Kind,
    swap: bool,
    filter: F,
    out: &'a mut [Vec<f32>; 3],
}

impl<F: Filter> Work for HalfRow<'_, F> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        // One loop for each kind, without a branch inside.
        match self.kind {
            Kind::Coloured => self.run(Kind::Coloured),
            Kind::GreenInRedRow => self.run(Kind::GreenInRedRow),
            Kind::GreenInBlueRow => self.run(Kind::GreenInBlueRow),
        }
    }
}

impl<F: Filter> HalfRow<'_, F> {
    #[inline(always)]
    fn run(self, kind: Kind) {
        let [first, second, third] = self.out;
        let (first, third) = if self.swap {
            (third, first)
        } else {
            (first, third)
        };
        let outs = first
            .as_chunks_mut::<LANES>()
            .0
            .iter_mut()
            .zip(second.as_chunks_mut::<LANES>().0)
            .zip(third.as_chunks_mut::<LANES>().0);
        for (i, ((first, second), third)) in outs.enumerate() {
            let found = filter_lanes(self.near, i * LANES, self.side, kind, self.filter);
            (*first, *second, *third) = (found[0], found[1], found[2]);
        }
    }
}

/// The colours of [`LANES`] pixels of a half row. Results go into arrays of their own, so the compiler can rule out
/// overlap with the samples read.
#[inline(always)]
fn filter_lanes<F: Filter>(
    near: &[[&[f32]; 2]; 5],
    at: usize,
    side: usize,
    kind: Kind,
    filter: F,
) -> [[f32; LANES]; 3] {
    let own = |row: usize, by: usize| lanes(near[row][side], at + by);
    // At an even column the left neighbour in the other half has the index before; at an odd column the same index.
    let other = |row: usize, by: usize| lanes(near[row][1 - side], at + side + by);
    let (centre, far_left, far_right) = (own(2, 1), own(2, 0), own(2, 2));
    let (above, below, far_up, far_down) = (own(1, 1), own(3, 1), own(0, 1), own(4, 1));
    let (left, right) = (other(2, 0), other(2, 1));
    let corners = [other(1, 0), other(1, 1), other(3, 0), other(3, 1)];
    let mut out = [[0.0; LANES]; 3];
    for i in 0..LANES {
        let parts = Neighbourhood {
            centre: centre[i],
            above_below: [above[i], below[i]],
            beside: [left[i], right[i]],
            far: [far_up[i], far_down[i], far_left[i], far_right[i]],
            diagonal: [corners[0][i], corners[1][i], corners[2][i], corners[3][i]],
        };
        let rgb = filter.apply(&parts, kind);
        (out[0][i], out[1][i], out[2][i]) = (rgb[0], rgb[1], rgb[2]);
    }
    out
}

#[inline(always)]
fn lanes(samples: &[f32], at: usize) -> &[f32; LANES] {
    samples[at..].first_chunk().unwrap_or(&[0.0; LANES])
}

fn interleave(even: &[f32], odd: &[f32], line: &mut [f32]) {
    let pairs = line.as_chunks_mut::<2>().0.iter_mut();
    for (pair, (&even, &odd)) in pairs.zip(even.iter().zip(odd)) {
        *pair = [even, odd];
    }
}

/// Index of a row, mirrored at the first and last row, which preserves the mosaic.
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
