//! A finished picture registered to the reference frame: its levels at reference pixels, interpolated once.
use stopspan_core::model::main_channel;
use stopspan_core::raster::{Interpolation, Pixels, Point, Transform};

/// A finished picture and its registration.
#[derive(Debug, Clone, Copy)]
pub struct Overlay<'a> {
    /// Its samples.
    pub pixels: &'a Pixels,
    /// Maps reference-frame pixels to its pixels.
    pub transform: Transform,
    whole: Option<(isize, isize)>,
}

impl<'a> Overlay<'a> {
    /// A picture with its registration.
    pub fn new(pixels: &'a Pixels, transform: Transform) -> Self {
        Overlay {
            pixels,
            transform,
            whole: transform.whole_pixels(),
        }
    }

    /// True if its pixels lie between those of the reference frame, so that it is interpolated.
    pub fn resampled(&self) -> bool {
        self.whole.is_none()
    }

    /// True if its scale at the centre of the reference frame, whose shape is given, is 1 within a hundredth.
    pub fn same_scale(&self, (rows, columns, _): (usize, usize, usize)) -> bool {
        let middle = Point {
            x: columns as f64 / 2.0,
            y: rows as f64 / 2.0,
        };
        self.scale(middle).is_some_and(|s| (s - 1.0).abs() < 0.01)
    }

    /// Levels of R, G, B (equal for mono) at a reference pixel, linearly interpolated; `None` outside the picture. Levels
    /// are not linear in light, so only means over cells are taken of interpolated ones.
    pub fn levels(&self, row: usize, column: usize) -> Option<[f32; 3]> {
        let (rows, columns, channels) = self.pixels.dim();
        let channel = |k: usize| k.min(channels - 1);
        if let Some((x, y)) = self.whole {
            let r = row.checked_add_signed(y).filter(|r| *r < rows)?;
            let c = column.checked_add_signed(x).filter(|c| *c < columns)?;
            return Some([0, 1, 2].map(|k| self.pixels.level(r, c, channel(k))));
        }
        let at = self.transform.apply(Point {
            x: column as f64 + 0.5,
            y: row as f64 + 0.5,
        })?;
        let across = Interpolation::Linear.taps(at.x);
        let down = Interpolation::Linear.taps(at.y);
        let inside = |first: isize, len: usize| first >= 0 && first as usize + 2 <= len;
        if !inside(across.first, columns) || !inside(down.first, rows) {
            return None;
        }
        let (r, c) = (down.first as usize, across.first as usize);
        let mut out = [0f32; 3];
        for (i, &wy) in down.weights().iter().enumerate() {
            for (j, &wx) in across.weights().iter().enumerate() {
                for (k, v) in out.iter_mut().enumerate() {
                    *v += wy * wx * self.pixels.level(r + i, c + j, channel(k));
                }
            }
        }
        Some(out)
    }

    /// Row and column of the picture's pixel nearest to a reference pixel; `None` outside.
    pub fn nearest(&self, row: usize, column: usize) -> Option<(usize, usize)> {
        let at = self.transform.apply(Point {
            x: column as f64 + 0.5,
            y: row as f64 + 0.5,
        })?;
        let (rows, columns, _) = self.pixels.dim();
        let inside = at.x >= 0.0 && at.y >= 0.0 && at.x < columns as f64 && at.y < rows as f64;
        inside.then_some((at.y as usize, at.x as usize))
    }

    /// Green level of that pixel, without interpolation.
    pub fn own_level(&self, row: usize, column: usize) -> Option<f32> {
        let (r, c) = self.nearest(row, column)?;
        let main = main_channel(self.pixels.channels());
        Some(self.pixels.level(r, c, main))
    }

    /// Its pixels per pixel of the reference frame at a point; `None` where the transform is degenerate.
    pub fn scale(&self, at: Point) -> Option<f64> {
        let here = self.transform.apply(at)?;
        let right = self.transform.apply(Point {
            x: at.x + 1.0,
            y: at.y,
        })?;
        let below = self.transform.apply(Point {
            x: at.x,
            y: at.y + 1.0,
        })?;
        let area =
            (right.x - here.x) * (below.y - here.y) - (right.y - here.y) * (below.x - here.x);
        (area > 0.0).then(|| area.sqrt())
    }
}
