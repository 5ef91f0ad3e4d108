//! Search for large displacements: phase correlation (Kuglin and Hines 1975) of the rank planes at a series of rotations.
use super::model::Extent;
use ndarray::Array2;
use rayon::prelude::*;
use rustfft::{Fft, FftDirection, algorithm::Radix4, num_complex::Complex32};
use stopspan_core::raster::{Point, Transform};

/// Maximum longer side of the plane that is searched, pixels.
const SIDE: usize = 256;
/// Rotations tried: -ANGLES..=ANGLES, in units of half a degree.
const ANGLES: i32 = 8;
/// Maximum shift along either axis, as a share of the longer side.
const MAX_SHIFT: f64 = 0.2;

/// At most `count` candidate maps (full-size pixels) between two rank planes, highest correlation first. A pixel of the planes has a
/// side of `scale` pixels of the frame.
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
            let rotated = spectrum(&prepared(frame, degrees), size);
            peaks(&fixed, &rotated, size, columns.max(rows))
                .into_iter()
                .map(move |peak| (peak.height, map_for(degrees, &peak, (rows, columns))))
        })
        .collect();
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    let extent = Extent { rows, columns };
    let mut kept: Vec<Transform> = Vec::new();
    for (_, map) in found {
        if kept
            .iter()
            .all(|k| extent.max_corner_distance(k, &map) > 3.0)
        {
            kept.push(map);
        }
        if kept.len() == count {
            break;
        }
    }
    kept.iter().map(|m| m.scaled(scale)).collect()
}

/// The pyramid level to search: the finest whose longer side is at most [`SIDE`].
pub(super) fn level(pyramid: &[Array2<f32>]) -> usize {
    pyramid
        .iter()
        .position(|p| p.nrows().max(p.ncols()) <= SIDE)
        .unwrap_or(pyramid.len() - 1)
}

/// The plane rotated back by `degrees` about its centre, high-pass filtered, and tapered to 0 towards its borders.
pub(super) fn prepared(plane: &Array2<f32>, degrees: f64) -> Array2<f32> {
    let (rows, columns) = plane.dim();
    let centre = Point {
        x: columns as f64 / 2.0,
        y: rows as f64 / 2.0,
    };
    let map = Transform::turn(centre, degrees, 0.0, 0.0);
    let mean = plane.mean().unwrap_or(0.0);
    let rotated = Array2::from_shape_fn((rows, columns), |(r, c)| {
        super::refine::look_up(plane, &map, r, c).unwrap_or(mean)
    });
    let blurred = smooth(&rotated);
    let taper = |i: usize, n: usize| {
        let t = ((i as f32 + 0.5) / n as f32).min(1.0 - (i as f32 + 0.5) / n as f32);
        let t = (t / 0.15).min(1.0);
        t * t * (3.0 - 2.0 * t)
    };
    Array2::from_shape_fn((rows, columns), |(r, c)| {
        (rotated[[r, c]] - blurred[[r, c]]) * taper(r, rows) * taper(c, columns)
    })
}

/// Low-pass filter: four pyramid levels down and up again.
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

/// Fourier transform of every row of a square with a side that is a power of two, in place; the inverse is not normalised.
fn transform_rows(data: &mut [Complex32], size: usize, direction: FftDirection) {
    Radix4::new(size, direction).process(data);
}

/// Transposes a square in place.
fn transpose(data: &mut [Complex32], size: usize) {
    for r in 0..size {
        for c in r + 1..size {
            data.swap(r * size + c, c * size + r);
        }
    }
}

/// Two-dimensional spectrum of a plane padded with zeros to `size` x `size`, transposed.
pub(super) fn spectrum(plane: &Array2<f32>, size: usize) -> Vec<Complex32> {
    let mut data = vec![Complex32::default(); size * size];
    for ((r, c), &v) in plane.indexed_iter() {
        data[r * size + c].re = v;
    }
    transform_rows(&mut data, size, FftDirection::Forward);
    transpose(&mut data, size);
    transform_rows(&mut data, size, FftDirection::Forward);
    data
}

/// Peak of a phase correlation.
pub(super) struct Peak {
    /// Height, arbitrary units.
    pub height: f32,
    /// Shift of the frame against the reference along columns, pixels of the planes.
    pub columns: f64,
    /// The same along rows.
    pub rows: f64,
}

/// The two highest peaks of the phase correlation of spectra `a` (reference) and `b` (frame), for planes with a longer side of
/// `side` pixels padded to `size`.
pub(super) fn peaks(a: &[Complex32], b: &[Complex32], size: usize, side: usize) -> Vec<Peak> {
    let total: f32 = a.iter().map(|v| v.norm_sqr()).sum::<f32>() / a.len() as f32;
    let mut data: Vec<Complex32> = a
        .iter()
        .zip(b)
        .enumerate()
        .map(|(i, (&p, &q))| {
            let cross = q * p.conj();
            // Whitened, with a floor for frequencies without signal. High frequencies are attenuated: rotations between the
            // angles tried decorrelate them.
            let gain = low_pass(i / size, size) * low_pass(i % size, size);
            cross * (gain / (cross.norm() + 0.02 * total + 1e-12))
        })
        .collect();
    transform_rows(&mut data, size, FftDirection::Inverse);
    transpose(&mut data, size);
    transform_rows(&mut data, size, FftDirection::Inverse);
    let signed = |i: usize| {
        if i > size / 2 {
            i as f64 - size as f64
        } else {
            i as f64
        }
    };
    let reach = MAX_SHIFT * side as f64;
    let mut found: Vec<Peak> = Vec::new();
    for _ in 0..2 {
        let best = data
            .iter()
            .enumerate()
            // Transposed by both the forward and the inverse transform, so that the index is row * size + column.
            .map(|(i, v)| Peak {
                height: v.re,
                columns: signed(i % size),
                rows: signed(i / size),
            })
            .filter(|p| p.columns.abs() <= reach && p.rows.abs() <= reach)
            .filter(|p| {
                let apart = |f: &Peak| (f.columns - p.columns).abs().max((f.rows - p.rows).abs());
                found.iter().all(|f| apart(f) > 3.0)
            })
            .max_by(|p, q| p.height.total_cmp(&q.height));
        found.extend(best);
    }
    found
}

/// Gaussian low-pass factor, 0..=1, of frequency index `i` of `size`, with 1/e at 0.2 cycles per pixel.
fn low_pass(i: usize, size: usize) -> f32 {
    let f = i.min(size - i) as f32 / size as f32;
    (-(f / 0.2) * (f / 0.2)).exp()
}

/// The map to a frame that, rotated back by `degrees`, is shifted by `shift` against a reference of `rows` x `columns` pixels.
fn map_for(degrees: f64, shift: &Peak, (rows, columns): (usize, usize)) -> Transform {
    let centre = Point {
        x: columns as f64 / 2.0,
        y: rows as f64 / 2.0,
    };
    Transform::turn(centre, degrees, 0.0, 0.0).after(&Transform::shift(shift.columns, shift.rows))
}
