//! Crops of the same places: whole pixels, and at equal size in the scene.
use super::places::At;
use super::shots::Taken;
use ndarray::Array3;
use stopspan_core::model::DisplayConversion;
use stopspan_core::raster::{Pixels, Point};
use stopspan_core::units::{srgb_exposure, srgb_level};

/// Code of what lies beyond a picture.
const BEYOND: u8 = 128;

/// First of `length` whole pixels around a middle, moved as little as needed to lie within `end`.
fn within(middle: f64, length: usize, end: usize) -> usize {
    let most = end.saturating_sub(length) as f64;
    (middle - length as f64 / 2.0).round().clamp(0.0, most) as usize
}

/// Whole pixels as the file has them.
pub(super) fn unscaled(
    taken: &Taken,
    middle: Point,
    (rows, columns): (usize, usize),
) -> Array3<u8> {
    let (pixels, shown) = (&taken.frame().picture.pixels, taken.shown());
    let (high, wide, _) = pixels.dim();
    let (top, left) = (
        within(middle.y, rows, high),
        within(middle.x, columns, wide),
    );
    let mut out = Array3::from_elem((rows, columns, 3), BEYOND);
    for r in 0..rows.min(high) {
        for c in 0..columns.min(wide) {
            let code = shown.pixel(pixels, top + r, left + c);
            (0..3).for_each(|k| out[[r, c, k]] = code[k]);
        }
    }
    out
}

/// The surroundings of a place with `zoom` pixels of the picture that it was given in per pixel, averaged in linear light.
pub(super) fn scaled(
    taken: &Taken,
    at: At,
    (rows, columns): (usize, usize),
    zoom: f64,
) -> Array3<u8> {
    let (pixels, shown) = (&taken.frame().picture.pixels, taken.shown());
    let step = zoom * at.scale;
    let (left, top) = (
        at.middle.x - step * columns as f64 / 2.0,
        at.middle.y - step * rows as f64 / 2.0,
    );
    let parts = (step.ceil() as usize).clamp(1, 8);
    let mut out = Array3::zeros((rows, columns, 3));
    for ((r, c), mut pixel) in ndarray::indices((rows, columns))
        .into_iter()
        .zip(out.exact_chunks_mut((1, 1, 3)))
    {
        let mut sum = [0.0; 3];
        for part in 0..parts * parts {
            let share = |i: usize| (i as f64 + 0.5) / parts as f64;
            let x = left + step * (c as f64 + share(part % parts));
            let y = top + step * (r as f64 + share(part / parts));
            let light = sampled(pixels, &shown, x, y);
            (0..3).for_each(|k| sum[k] += light[k]);
        }
        let count = (parts * parts) as f64;
        pixel.iter_mut().zip(sum).for_each(|(to, v)| {
            *to = (255.0 * srgb_level(v / count)).round().clamp(0.0, 255.0) as u8;
        });
    }
    out
}

/// Displayed light at a point, bilinear; that of [`BEYOND`] beyond the picture.
fn sampled(pixels: &Pixels, shown: &DisplayConversion, x: f64, y: f64) -> [f64; 3] {
    let (high, wide, _) = pixels.dim();
    if !(0.0..wide as f64).contains(&x) || !(0.0..high as f64).contains(&y) {
        return [srgb_exposure(f64::from(BEYOND) / 255.0); 3];
    }
    let (u, v) = ((x - 0.5).max(0.0), (y - 0.5).max(0.0));
    let (c, r) = (u as usize, v as usize);
    let (s, t) = (u - c as f64, v - r as f64);
    let at = |r: usize, c: usize| {
        let code = shown.pixel(pixels, r.min(high - 1), c.min(wide - 1));
        code.map(|v| srgb_exposure(f64::from(v) / 255.0))
    };
    let (a, b, d, e) = (at(r, c), at(r, c + 1), at(r + 1, c), at(r + 1, c + 1));
    [0, 1, 2].map(|k| (1.0 - t) * ((1.0 - s) * a[k] + s * b[k]) + t * ((1.0 - s) * d[k] + s * e[k]))
}
