//! The wedge of one picture as a row of equal cells, lightest step first, so that pictures can be compared one below the other.
use ndarray::Array3;
use stopspan_core::model::{Homography, UNIT_SQUARE};
use stopspan_core::raster::Point;
use stopspan_core::results::Patch;

/// Rows and columns of a cell, pixels.
pub const CELL: (usize, usize) = (32, 24);

/// A row of cells, one per step.
#[derive(Debug, Clone, PartialEq)]
pub struct Strip {
    /// 8-bit display-encoded RGB, shape ([`CELL`].0, steps x [`CELL`].1, 3).
    pub rgb: Array3<u8>,
    /// Tone scale of the display if not that of the file ("logarithmic over 10.5 stops"); else empty.
    pub note: String,
}

/// Cuts the interiors of the patches out of a picture of `rows` x `columns`, perspective removed, side by side in the order of
/// `patches`. `pixel(row, column)` returns a display-encoded pixel. Sampling is by the nearest pixel, which preserves noise. `None`
/// without patches or pixels, or if a patch has no area.
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
        let page = Homography::between(&UNIT_SQUARE, &patch.corners)?;
        for row in 0..CELL.0 {
            for column in 0..CELL.1 {
                let place = page.map(Point {
                    x: (column as f64 + 0.5) / CELL.1 as f64,
                    y: (row as f64 + 0.5) / CELL.0 as f64,
                });
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

/// Grey code of a linear value on a logarithmic scale: 255 at `top` and above, 0 at `stops` stops below it and less.
pub fn log_display(value: f64, top: f64, stops: f64) -> u8 {
    let share = 1.0 + (value / top).log2() / stops;
    if share.is_nan() {
        return 0;
    }
    (share.clamp(0.0, 1.0) * 255.0).round() as u8
}

#[cfg(test)]
mod tests {
    use super::*;

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
