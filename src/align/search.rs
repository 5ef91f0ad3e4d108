//! Large drifts: phase correlation (Kuglin and Hines 1975) of the rank planes over a fan of angles.
use super::model::Extent;
use ndarray::Array2;
use rayon::prelude::*;
use rustfft::{FftPlanner, num_complex::Complex32};
use stopspan_core::raster::{Point, Transform};

/// Longest side of the plane that is searched.
const SIDE: usize = 256;
/// Angles tried: -ANGLES..=ANGLES half degrees.
const ANGLES: i32 = 8;
/// Shifts up to this share of the longer side are believed.
const REACH: f64 = 0.2;

/// Candidate maps (full-size pixels), best first, at most `count`. `level` is the pyramid level used, whose pixels are
/// `scale` pixels of the frame.
pub(super) fn candidates(
    reference: &Array2<f32>,
    frame: &Array2<f32>,
    scale: f64,
    count: usize,
) -> Vec<Transform> {
    let (rows, columns) = reference.dim();
    let size = rows.max(columns).next_power_of_two();
    let fixed = spectrum(&prepared(reference, 0.0), size);
    let mut found: Vec<(f32, Transform)> = (-ANGLES..=ANGLES)
        .into_par_iter()
        .flat_map_iter(|i| {
            let degrees = 0.5 * f64::from(i);
            let turned = spectrum(&prepared(frame, degrees), size);
            peaks(&fixed, &turned, size, columns.max(rows))
                .into_iter()
                .map(move |(score, x, y)| (score, map_for(degrees, x, y, (rows, columns))))
        })
        .collect();
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    let extent = Extent { rows, columns };
    let mut kept: Vec<Transform> = Vec::new();
    for (_, map) in found {
        if kept.iter().all(|k| extent.apart(k, &map) > 3.0) {
            kept.push(map);
        }
        if kept.len() == count {
            break;
        }
    }
    kept.iter().map(|m| m.scaled(scale)).collect()
}

/// The pyramid level to search: the first whose longest side is at most 256.
pub(super) fn level(pyramid: &[Array2<f32>]) -> usize {
    pyramid
        .iter()
        .position(|p| p.nrows().max(p.ncols()) <= SIDE)
        .unwrap_or(pyramid.len() - 1)
}

/// The plane turned back by `degrees` about its centre, made free of slow variation, and faded out at the borders.
pub(super) fn prepared(plane: &Array2<f32>, degrees: f64) -> Array2<f32> {
    let (rows, columns) = plane.dim();
    let centre = Point {
        x: columns as f64 / 2.0,
        y: rows as f64 / 2.0,
    };
    let map = Transform::turn(centre, degrees, 0.0, 0.0);
    let mean = plane.mean().unwrap_or(0.0);
    let turned = Array2::from_shape_fn((rows, columns), |(r, c)| {
        super::refine::look_up(plane, &map, r, c).unwrap_or(mean)
    });
    let blurred = smooth(&turned);
    let fade = |i: usize, n: usize| {
        let t = ((i as f32 + 0.5) / n as f32).min(1.0 - (i as f32 + 0.5) / n as f32);
        let t = (t / 0.15).min(1.0);
        t * t * (3.0 - 2.0 * t)
    };
    Array2::from_shape_fn((rows, columns), |(r, c)| {
        (turned[[r, c]] - blurred[[r, c]]) * fade(r, rows) * fade(c, columns)
    })
}

/// Three octaves down and up again.
fn smooth(plane: &Array2<f32>) -> Array2<f32> {
    use stopspan_core::raster::{expand, reduce};
    let mut sizes = Vec::new();
    let mut small = plane.clone();
    for _ in 0..4 {
        sizes.push(small.dim());
        small = reduce(&small);
    }
    while let Some((rows, columns)) = sizes.pop() {
        small = expand(&small, rows, columns);
    }
    small
}

fn transform_rows(data: &mut [Complex32], size: usize, inverse: bool) {
    let mut planner = FftPlanner::new();
    let fft = if inverse {
        planner.plan_fft_inverse(size)
    } else {
        planner.plan_fft_forward(size)
    };
    fft.process(data);
}

fn transpose(data: &mut [Complex32], size: usize) {
    for r in 0..size {
        for c in r + 1..size {
            data.swap(r * size + c, c * size + r);
        }
    }
}

pub(super) fn spectrum(plane: &Array2<f32>, size: usize) -> Vec<Complex32> {
    let mut data = vec![Complex32::default(); size * size];
    for ((r, c), &v) in plane.indexed_iter() {
        data[r * size + c].re = v;
    }
    transform_rows(&mut data, size, false);
    transpose(&mut data, size);
    transform_rows(&mut data, size, false);
    data
}

/// The two highest peaks: (height, columns, rows) of the frame against the reference.
pub(super) fn peaks(
    a: &[Complex32],
    b: &[Complex32],
    size: usize,
    side: usize,
) -> Vec<(f32, f64, f64)> {
    let total: f32 = a.iter().map(|v| v.norm_sqr()).sum::<f32>() / a.len() as f32;
    let mut data: Vec<Complex32> = a
        .iter()
        .zip(b)
        .enumerate()
        .map(|(i, (&p, &q))| {
            let cross = q * p.conj();
            // Whitened, except where there is nothing but noise; fine detail, which the turn between the angles
            // tried blurs, fades out.
            let fade = low_pass(i / size, size) * low_pass(i % size, size);
            cross * (fade / (cross.norm() + 0.02 * total + 1e-12))
        })
        .collect();
    transform_rows(&mut data, size, true);
    transpose(&mut data, size);
    transform_rows(&mut data, size, true);
    let signed = |i: usize| {
        if i > size / 2 {
            i as f64 - size as f64
        } else {
            i as f64
        }
    };
    let reach = REACH * side as f64;
    let mut found: Vec<(f32, f64, f64)> = Vec::new();
    for _ in 0..2 {
        let best = data
            .iter()
            .enumerate()
            // The first transform ran along rows before the transposition: index = column * size + row, twice over.
            .map(|(i, v)| (v.re, signed(i % size), signed(i / size)))
            .filter(|&(_, x, y)| x.abs() <= reach && y.abs() <= reach)
            .filter(|&(_, x, y)| {
                found
                    .iter()
                    .all(|f| (f.1 - x).abs().max((f.2 - y).abs()) > 3.0)
            })
            .max_by(|p, q| p.0.total_cmp(&q.0));
        found.extend(best);
    }
    found
}

fn low_pass(i: usize, size: usize) -> f32 {
    let f = i.min(size - i) as f32 / size as f32;
    (-(f / 0.2) * (f / 0.2)).exp()
}

/// The map of a frame that, turned back by `degrees`, lies (x, y) off the reference.
fn map_for(degrees: f64, x: f64, y: f64, (rows, columns): (usize, usize)) -> Transform {
    let centre = Point {
        x: columns as f64 / 2.0,
        y: rows as f64 / 2.0,
    };
    Transform::turn(centre, degrees, 0.0, 0.0).after(&Transform::shift(x, y))
}
