//! Registration of a finished picture of another size, crop or scale to the reference frame: search for the scale by phase
//! correlation, then registration of a copy resampled to the geometry of the reference frame. The copy has no other use.
use super::register::register_picture;
use super::search::{peaks, prepared, spectrum};
use super::signal::Small;
use ndarray::{Array2, Array3};
use rayon::prelude::*;
use stopspan_core::model::Frame;
use stopspan_core::model::Placement;
use stopspan_core::raster::{Pixels, Point, Transform, reduce};

/// One pass of the search for the scale.
struct ScaleSearch {
    /// Maximum longer side of the reference plane, pixels.
    side: usize,
    /// Ratio of neighbouring scales.
    ratio: f64,
}

/// First pass, over all scales.
const COARSE: ScaleSearch = ScaleSearch {
    side: 160,
    ratio: 1.015,
};
/// Second pass, around the best scale of the first.
const FINE: ScaleSearch = ScaleSearch {
    side: 384,
    ratio: 1.003,
};
/// Number of finer scales tried to either side.
const FINE_STEPS: i32 = 6;
/// Smallest field of view of the picture, in widths of the reference frame.
const MIN_FIELD: f64 = 0.45;
/// Largest field of view of the picture, in widths of the reference frame.
const MAX_FIELD: f64 = 1.12;
/// Passes of registration; each starts from the result of the one before.
const PASSES: usize = 2;

/// Registers `picture`, of any size, to the reference frame. The transform maps pixels of the reference frame to pixels of
/// `picture`. A scale and shift are searched first and then refined as a frame's motion is, by the same criteria of acceptance.
/// `None` if the two cannot be registered at any scale.
pub fn locate_at_any_scale(reference: &Frame, picture: &Pixels) -> Option<Placement> {
    let fixed = &reference.picture.pixels;
    let mut map = similarity(fixed, picture)?;
    let mut last = None;
    for _ in 0..PASSES {
        let placement = register_picture(fixed, &resampled(picture, &map, fixed.dim()))?;
        map = map.after(&placement.transform);
        last = Some(Placement {
            transform: map,
            ..placement
        });
    }
    last
}

/// Scale and shift with the highest phase correlation, coarse to fine, as a map from `fixed` to `picture` in pixels of both.
fn similarity(fixed: &Pixels, picture: &Pixels) -> Option<Transform> {
    let widths = picture.columns() as f64 / fixed.columns() as f64;
    // Pixels of the picture per pixel of the reference frame.
    let (least, most) = (widths / MAX_FIELD, widths / MIN_FIELD);
    let steps = ((most / least).ln() / COARSE.ratio.ln()).ceil() as i32;
    let coarse = (0..=steps).map(|i| least * COARSE.ratio.powi(i)).collect();
    let (scale, _) = best_scale(fixed, picture, COARSE.side, coarse)?;
    let fine = (-FINE_STEPS..=FINE_STEPS).map(|i| scale * FINE.ratio.powi(i));
    best_scale(fixed, picture, FINE.side, fine.collect()).map(|b| b.1)
}

/// The one of `scales` (pixels of `picture` per pixel of `fixed`) with the highest phase correlation, and its map in pixels of both.
/// `side` is the maximum longer side of the reference plane. `None` if a plane is smaller than 24 pixels.
fn best_scale(
    fixed: &Pixels,
    picture: &Pixels,
    side: usize,
    scales: Vec<f64>,
) -> Option<(f64, Transform)> {
    let (a, pitch) = reduced_luma(fixed, side);
    let (b, other) = reduced_luma(picture, 2 * side);
    let (rows, columns) = a.dim();
    if rows.min(columns) < 24 || b.nrows().min(b.ncols()) < 24 {
        return None;
    }
    let size = rows.max(columns).next_power_of_two();
    let reference = spectrum(&prepared(&a, 0.0), size);
    let tried = scales.into_par_iter().filter_map(|scale| {
        let scaling = scaling_about_centres(&a, &b, scale * pitch / other);
        let scaled = resampled_plane(&b, &scaling, (rows, columns));
        let scaled = spectrum(&prepared(&scaled, 0.0), size);
        let peak = peaks(&reference, &scaled, size, rows.max(columns))
            .into_iter()
            .max_by(|p, q| p.height.total_cmp(&q.height))?;
        let map = scaling.after(&Transform::shift(peak.columns, peak.rows));
        Some((peak.height, scale, map))
    });
    let (_, scale, map) = tried
        .collect::<Vec<_>>()
        .into_iter()
        .max_by(|p, q| p.0.total_cmp(&q.0))?;
    // From pixels of the reduced planes to those of the pictures.
    let zoom = |f: f64| Transform([[f, 0.0, 0.0], [0.0, f, 0.0], [0.0, 0.0, 1.0]]);
    Some((scale, zoom(other).after(&map).after(&zoom(1.0 / pitch))))
}

/// Luma reduced to a longer side of at most `side` pixels, and the side of its pixels in pixels of the picture.
fn reduced_luma(pixels: &Pixels, side: usize) -> (Array2<f32>, f64) {
    let small = Small::new(pixels);
    let (mut plane, mut pitch) = (small.luma, small.block as f64);
    while plane.nrows().max(plane.ncols()) > side {
        plane = reduce(&plane);
        pitch *= 2.0;
    }
    (plane, pitch)
}

/// The map from plane `a` to plane `b` that scales by `scale` and maps centre to centre.
fn scaling_about_centres(a: &Array2<f32>, b: &Array2<f32>, scale: f64) -> Transform {
    let middle = |n: usize| n as f64 / 2.0;
    let offset = |to: usize, from: usize| middle(to) - scale * middle(from);
    Transform([
        [scale, 0.0, offset(b.ncols(), a.ncols())],
        [0.0, scale, offset(b.nrows(), a.nrows())],
        [0.0, 0.0, 1.0],
    ])
}

/// The plane resampled bilinearly through `map` to `shape` (rows, columns); its mean outside.
fn resampled_plane(plane: &Array2<f32>, map: &Transform, shape: (usize, usize)) -> Array2<f32> {
    let mean = plane.mean().unwrap_or(0.0);
    Array2::from_shape_fn(shape, |(r, c)| {
        super::refine::look_up(plane, map, r, c).unwrap_or(mean)
    })
}

/// The picture resampled bilinearly through `map` to `shape` (rows, columns, channels), 8 bits; 0 outside. For registration only.
fn resampled(picture: &Pixels, map: &Transform, shape: (usize, usize, usize)) -> Pixels {
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
