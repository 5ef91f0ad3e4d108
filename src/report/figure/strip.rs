//! The wedge of one picture as one row of equal cells, lightest step first, for putting pictures under each other.
use crate::measure::Patch;
use crate::raster::{Point, Quad};
use ndarray::Array3;

/// Rows and columns of one cell, pixels.
pub const CELL: (usize, usize) = (32, 24);

/// A row of cells, one a step.
#[derive(Debug, Clone, PartialEq)]
pub struct Strip {
    /// 8-bit display-encoded RGB, shape ([`CELL`].0, steps x [`CELL`].1, 3).
    pub rgb: Array3<u8>,
    /// How it is shown, where that is not "as the file has it" ("logarithmic over 10.5 stops"); empty otherwise.
    pub note: String,
}

/// The interiors of the patches (perspective removed) side by side, in the order of `patches`. Pixels are taken as they
/// are (the nearest one), so that noise stays to be seen; `pixel(row, column)` gives one display-encoded, for any row
/// below `rows` and column below `columns`. `None` without patches or pixels.
pub fn strip(
    patches: &[Patch],
    (rows, columns): (usize, usize),
    pixel: impl Fn(usize, usize) -> [u8; 3],
) -> Option<Array3<u8>> {
    if patches.is_empty() || rows == 0 || columns == 0 {
        return None;
    }
    let mut rgb = Array3::zeros((CELL.0, CELL.1 * patches.len(), 3));
    for (cell, patch) in patches.iter().enumerate() {
        for row in 0..CELL.0 {
            for column in 0..CELL.1 {
                let u = (column as f64 + 0.5) / CELL.1 as f64;
                let v = (row as f64 + 0.5) / CELL.0 as f64;
                let place = inside(&patch.corners, u, v);
                let clamp = |x: f64, end: usize| (x.max(0.0) as usize).min(end - 1);
                let colour = pixel(clamp(place.y, rows), clamp(place.x, columns));
                for (channel, value) in colour.into_iter().enumerate() {
                    rgb[[row, cell * CELL.1 + column, channel]] = value;
                }
            }
        }
    }
    Some(rgb)
}

/// A linear value on a logarithmic gray scale: `top` and more is white, `stops` below it and less is black.
pub fn log_display(value: f64, top: f64, stops: f64) -> u8 {
    let share = 1.0 + (value / top).log2() / stops;
    if share.is_nan() {
        return 0;
    }
    (share.clamp(0.0, 1.0) * 255.0).round() as u8
}

/// The point at (u, v) of the unit square laid over the quadrilateral by its projective map (closed form of Heckbert,
/// 1989); corners are top-left, top-right, bottom-right, bottom-left.
fn inside(quad: &Quad, u: f64, v: f64) -> Point {
    let [a, b, c, d] = quad;
    let (sx, sy) = (a.x - b.x + c.x - d.x, a.y - b.y + c.y - d.y);
    let (dx1, dy1) = (b.x - c.x, b.y - c.y);
    let (dx2, dy2) = (d.x - c.x, d.y - c.y);
    let det = dx1 * dy2 - dx2 * dy1;
    let (g, h) = if det == 0.0 {
        (0.0, 0.0)
    } else {
        ((sx * dy2 - dx2 * sy) / det, (dx1 * sy - sx * dy1) / det)
    };
    let w = g * u + h * v + 1.0;
    Point {
        x: ((b.x - a.x + g * b.x) * u + (d.x - a.x + h * d.x) * v + a.x) / w,
        y: ((b.y - a.y + g * b.y) * u + (d.y - a.y + h * d.y) * v + a.y) / w,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn quad(points: [(f64, f64); 4]) -> Quad {
        points.map(|(x, y)| Point { x, y })
    }

    #[test]
    fn the_projective_map_hits_the_corners_and_the_crossing_of_the_diagonals() {
        let q = quad([(10.0, 5.0), (60.0, 8.0), (52.0, 44.0), (14.0, 30.0)]);
        for (u, v, i) in [(0.0, 0.0, 0), (1.0, 0.0, 1), (1.0, 1.0, 2), (0.0, 1.0, 3)] {
            let p = inside(&q, u, v);
            assert!((p.x - q[i].x).abs() < 1e-9 && (p.y - q[i].y).abs() < 1e-9);
        }
        // Projective maps keep lines: the image of the centre lies on both diagonals.
        let p = inside(&q, 0.5, 0.5);
        for (from, to) in [(0, 2), (1, 3)] {
            let (a, b) = (q[from], q[to]);
            let cross = (b.x - a.x) * (p.y - a.y) - (b.y - a.y) * (p.x - a.x);
            assert!(cross.abs() < 1e-8);
        }
    }

    #[test]
    fn the_logarithmic_scale_ends_where_it_says() {
        assert_eq!(log_display(1.0, 1.0, 10.0), 255);
        assert_eq!(log_display(2.0, 1.0, 10.0), 255);
        assert_eq!(log_display(1.0 / 1024.0, 1.0, 10.0), 0);
        assert_eq!(log_display(1.0 / 32.0, 1.0, 10.0), 128);
        assert_eq!(log_display(-1.0, 1.0, 10.0), 0);
        assert_eq!(log_display(f64::NAN, 1.0, 10.0), 0);
    }
}
