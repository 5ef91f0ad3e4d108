//! A rectangle of a frame's luma, with what of it can be used.
use super::signal::{CLIPPED, CRUSHED, visit_row};
use crate::raster::Pixels;
use ndarray::Array2;

/// Luma of a rectangle in levels, smoothed by [1 2 1]/4 both ways.
pub(super) struct Patch {
    pub luma: Array2<f32>,
    /// True where every sample within two pixels lies in the frame and is neither clipped nor crushed.
    pub usable: Array2<bool>,
}

/// How far a sample that cannot be used makes others unusable, pixels.
const SPREAD: usize = 2;

impl Patch {
    /// Cuts a rectangle that may reach outside, where the border's samples are repeated.
    pub fn cut(pixels: &Pixels, top: isize, left: isize, (height, width): (usize, usize)) -> Self {
        let (high, wide) = (height + 2 * SPREAD, width + 2 * SPREAD);
        let mut raw = Array2::zeros((high, wide));
        let mut seen = Array2::from_elem((high, wide), false);
        let (rows, columns) = (pixels.rows() as isize, pixels.columns() as isize);
        let (top, left) = (top - SPREAD as isize, left - SPREAD as isize);
        let first = left.clamp(0, columns - 1);
        let last = (left + wide as isize - 1).clamp(0, columns - 1);
        let mut line = vec![(0f32, false); (last - first) as usize + 1];
        for r in 0..high {
            let row = top + r as isize;
            let held = row.clamp(0, rows - 1);
            visit_row(
                pixels,
                held as usize,
                first as usize..last as usize + 1,
                |c, luma, peak| {
                    line[c - first as usize] = (luma, peak < CLIPPED && luma > CRUSHED);
                },
            );
            for c in 0..wide {
                let column = left + c as isize;
                let (luma, usable) = line[(column.clamp(first, last) - first) as usize];
                raw[[r, c]] = luma;
                seen[[r, c]] = usable && row == held && (0..columns).contains(&column);
            }
        }
        Patch {
            luma: smooth(&raw.slice(ndarray::s![1..high - 1, 1..wide - 1]).to_owned()),
            usable: shrink(&seen),
        }
    }
}

fn smooth(raw: &Array2<f32>) -> Array2<f32> {
    let (rows, columns) = raw.dim();
    let across = Array2::from_shape_fn((rows, columns - 2), |(r, c)| {
        0.25 * (raw[[r, c]] + raw[[r, c + 2]]) + 0.5 * raw[[r, c + 1]]
    });
    Array2::from_shape_fn((rows - 2, columns - 2), |(r, c)| {
        0.25 * (across[[r, c]] + across[[r + 2, c]]) + 0.5 * across[[r + 1, c]]
    })
}

/// True where all of the window of [`SPREAD`] is; smaller by the window.
fn shrink(seen: &Array2<bool>) -> Array2<bool> {
    let (rows, columns) = seen.dim();
    let side = 2 * SPREAD;
    let across = Array2::from_shape_fn((rows, columns - side), |(r, c)| {
        (0..=side).all(|k| seen[[r, c + k]])
    });
    Array2::from_shape_fn((rows - side, columns - side), |(r, c)| {
        (0..=side).all(|k| across[[r + k, c]])
    })
}
