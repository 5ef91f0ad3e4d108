//! A finished picture of another size, crop or scale laid over the reference: the scale searched by phase correlation, then
//! registered like a frame through a copy in the reference's geometry, which serves that alone.
use super::register::register;
use super::search::{peaks, prepared, spectrum};
use super::signal::Small;
use ndarray::{Array2, Array3};
use rayon::prelude::*;
use stopspan_core::model::Placement;
use stopspan_core::model::{Bracket, Frame};
use stopspan_core::raster::{Pixels, Point, Transform, reduce};

/// Longest side of the plane in which the scale is searched, and in which it is made finer.
const SIDES: [usize; 2] = [160, 384];
/// Ratio of neighbouring scales tried, and of the finer ones.
const RATIOS: [f64; 2] = [1.015, 1.003];
/// Finer scales tried either way.
const FINER: i32 = 6;
/// What the picture may show across, in widths of the reference: from a part of it to slightly more.
const SEEN: (f64, f64) = (0.45, 1.12);
/// Passes of registration: the second starts where the first ended.
const PASSES: usize = 2;

/// Where a reference pixel lies in `picture`, whatever its size; the similarity found is made a full plane motion by the
/// registration of frames, whose verdict it has to pass. `None` where no scale brings the two into register.
pub fn place_at_any_scale(reference: &Frame, picture: &Pixels) -> Option<Placement> {
    let fixed = &reference.picture.pixels;
    let mut map = similarity(fixed, picture)?;
    let mut last = None;
    for _ in 0..PASSES {
        let mut copy = reference.clone();
        copy.picture.pixels = seen_through(picture, &map, fixed.dim());
        let pair = Bracket {
            name: String::new(),
            frames: vec![reference.clone(), copy],
            reference: 0,
            camera_hdr: None,
            findings: Vec::new(),
        };
        let placement = register(&pair).placements.pop().filter(|p| p.found)?;
        map = map.after(&placement.transform);
        last = Some(Placement {
            transform: map,
            ..placement
        });
    }
    last
}

/// The scale and shift of the highest phase correlation, coarse then fine.
fn similarity(fixed: &Pixels, picture: &Pixels) -> Option<Transform> {
    let widths = picture.columns() as f64 / fixed.columns() as f64;
    // Its pixels per pixel of the reference.
    let (least, most) = (widths / SEEN.1, widths / SEEN.0);
    let steps = ((most / least).ln() / RATIOS[0].ln()).ceil() as i32;
    let coarse = (0..=steps).map(|i| least * RATIOS[0].powi(i)).collect();
    let (scale, _) = best((fixed, picture), SIDES[0], coarse)?;
    let fine = (-FINER..=FINER).map(|i| scale * RATIOS[1].powi(i));
    best((fixed, picture), SIDES[1], fine.collect()).map(|b| b.1)
}

fn best(
    (fixed, picture): (&Pixels, &Pixels),
    side: usize,
    scales: Vec<f64>,
) -> Option<(f64, Transform)> {
    let (a, pitch) = small(fixed, side);
    let (b, other) = small(picture, 2 * side);
    let (rows, columns) = a.dim();
    if rows.min(columns) < 24 || b.nrows().min(b.ncols()) < 24 {
        return None;
    }
    let size = rows.max(columns).next_power_of_two();
    let still = spectrum(&prepared(&a, 0.0), size);
    let tried = scales.into_par_iter().filter_map(|scale| {
        let small = about_middles((&a, &b), scale * pitch / other);
        let seen = looked_up(&b, &small, (rows, columns));
        let turned = spectrum(&prepared(&seen, 0.0), size);
        let (score, x, y) = peaks(&still, &turned, size, rows.max(columns))
            .into_iter()
            .max_by(|p, q| p.0.total_cmp(&q.0))?;
        let in_small = small.after(&Transform::shift(x, y));
        Some((score, scale, in_small))
    });
    let (_, scale, map) = tried
        .collect::<Vec<_>>()
        .into_iter()
        .max_by(|p, q| p.0.total_cmp(&q.0))?;
    // From pixels of the small planes to those of the pictures.
    let zoom = |f: f64| Transform([[f, 0.0, 0.0], [0.0, f, 0.0], [0.0, 0.0, 1.0]]);
    Some((scale, zoom(other).after(&map).after(&zoom(1.0 / pitch))))
}

/// Luma with its longest side at most `side`, and the pixels of the picture that one of its pixels spans.
fn small(pixels: &Pixels, side: usize) -> (Array2<f32>, f64) {
    let small = Small::new(pixels);
    let (mut plane, mut pitch) = (small.luma, small.block as f64);
    while plane.nrows().max(plane.ncols()) > side {
        plane = reduce(&plane);
        pitch *= 2.0;
    }
    (plane, pitch)
}

/// The map that scales about the middles of two planes.
fn about_middles((a, b): (&Array2<f32>, &Array2<f32>), scale: f64) -> Transform {
    let middle = |n: usize| n as f64 / 2.0;
    let offset = |to: usize, from: usize| middle(to) - scale * middle(from);
    Transform([
        [scale, 0.0, offset(b.ncols(), a.ncols())],
        [0.0, scale, offset(b.nrows(), a.nrows())],
        [0.0, 0.0, 1.0],
    ])
}

fn looked_up(plane: &Array2<f32>, map: &Transform, shape: (usize, usize)) -> Array2<f32> {
    let mean = plane.mean().unwrap_or(0.0);
    Array2::from_shape_fn(shape, |(r, c)| {
        super::refine::look_up(plane, map, r, c).unwrap_or(mean)
    })
}

/// The picture as the reference sees it, between its pixels; black outside. For registration alone.
fn seen_through(picture: &Pixels, map: &Transform, shape: (usize, usize, usize)) -> Pixels {
    let (rows, columns, channels) = picture.dim();
    let level = |r: f64, c: f64, k: usize| {
        let inside = r >= 0.0 && c >= 0.0 && r < rows as f64 && c < columns as f64;
        inside.then(|| f64::from(picture.level(r as usize, c as usize, k.min(channels - 1))))
    };
    let at = |x: f64, y: f64, k: usize| -> Option<f64> {
        let p = map.apply(Point { x, y })?;
        let (x, y) = (p.x - 0.5, p.y - 0.5);
        let (s, t) = (x - x.floor(), y - y.floor());
        let (x, y) = (x.floor(), y.floor());
        let above = (1.0 - s) * level(y, x, k)? + s * level(y, x + 1.0, k)?;
        let below = (1.0 - s) * level(y + 1.0, x, k)? + s * level(y + 1.0, x + 1.0, k)?;
        Some((1.0 - t) * above + t * below)
    };
    let mut out = Array3::<u8>::zeros(shape);
    let Some(samples) = out.as_slice_mut() else {
        return Pixels::U8(out);
    };
    samples
        .par_chunks_mut(shape.1 * shape.2)
        .enumerate()
        .for_each(|(r, line)| {
            for (i, v) in line.iter_mut().enumerate() {
                let (x, y) = ((i / shape.2) as f64 + 0.5, r as f64 + 0.5);
                *v = at(x, y, i % shape.2).map_or(0, |l| (255.0 * l).round() as u8);
            }
        });
    Pixels::U8(out)
}
