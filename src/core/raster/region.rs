//! Points, quadrilaterals and rectangles of pixels.
use serde::{Deserialize, Serialize};
use std::ops::Range;

/// A point in pixels: x to the right, y down; the centre of the top-left pixel is (0.5, 0.5).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Point {
    /// Distance from the left edge, pixels.
    pub x: f64,
    /// Distance from the top edge, pixels.
    pub y: f64,
}

/// Four corners: top-left, top-right, bottom-right, bottom-left of the object seen as a page.
pub type Quad = [Point; 4];

/// A rectangle of whole pixels, not empty.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Region {
    /// First row.
    pub top: usize,
    /// First column.
    pub left: usize,
    /// Number of rows.
    pub height: usize,
    /// Number of columns.
    pub width: usize,
}

impl Region {
    /// Range of the rows.
    pub fn rows(&self) -> Range<usize> {
        self.top..self.top + self.height
    }

    /// Range of the columns.
    pub fn columns(&self) -> Range<usize> {
        self.left..self.left + self.width
    }

    /// The smallest rectangle of whole pixels that contains the quadrilateral, clipped to a picture of `rows` x
    /// `columns`. `None` if it does not overlap the picture or a corner is not finite.
    pub fn around(quad: &Quad, rows: usize, columns: usize) -> Option<Self> {
        if quad.iter().any(|p| !p.x.is_finite() || !p.y.is_finite()) {
            return None;
        }
        let low = |f: fn(&Point) -> f64| {
            quad.iter()
                .map(f)
                .fold(f64::INFINITY, f64::min)
                .floor()
                .max(0.0) as usize
        };
        let high = |f: fn(&Point) -> f64, end: usize| {
            (quad
                .iter()
                .map(f)
                .fold(f64::NEG_INFINITY, f64::max)
                .ceil()
                .max(0.0) as usize)
                .min(end)
        };
        let (left, top) = (low(|p| p.x), low(|p| p.y));
        let (right, bottom) = (high(|p| p.x, columns), high(|p| p.y, rows));
        (right > left && bottom > top).then(|| Region {
            top,
            left,
            height: bottom - top,
            width: right - left,
        })
    }
}
