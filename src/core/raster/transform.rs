//! Projective transforms from pixels of the reference frame to those of another frame.
use super::Point;
use serde::{Deserialize, Serialize};

/// A projective transform from the reference frame to another frame, in pixels; the centre of the top-left pixel is
/// (0.5, 0.5) (see [`Point`]). A 3 x 3 matrix by rows, scaled so that the last element is 1.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Transform(pub [[f64; 3]; 3]);

impl Transform {
    /// The identity.
    pub const IDENTITY: Transform = Transform([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]);

    /// Shift by `columns` and `rows`: (x, y) -> (x + columns, y + rows).
    pub fn shift(columns: f64, rows: f64) -> Self {
        Transform([[1.0, 0.0, columns], [0.0, 1.0, rows], [0.0, 0.0, 1.0]])
    }

    /// Rotation about `centre` by `degrees` (positive from the x axis towards the y axis, clockwise as seen),
    /// followed by a shift.
    pub fn turn(centre: Point, degrees: f64, columns: f64, rows: f64) -> Self {
        let (s, c) = degrees.to_radians().sin_cos();
        let Point { x, y } = centre;
        Transform([
            [c, -s, x - c * x + s * y + columns],
            [s, c, y - s * x - c * y + rows],
            [0.0, 0.0, 1.0],
        ])
    }

    /// Image of a point, or `None` where the transform is undefined (denominator not positive).
    #[inline]
    pub fn apply(&self, point: Point) -> Option<Point> {
        let [a, b, c] = &self.0;
        let w = c[0] * point.x + c[1] * point.y + c[2];
        (w > 1e-9).then(|| Point {
            x: (a[0] * point.x + a[1] * point.y + a[2]) / w,
            y: (b[0] * point.x + b[1] * point.y + b[2]) / w,
        })
    }

    /// The composition of `first` and this transform: `(self.after(first)).apply(p) == self.apply(first.apply(p))`.
    pub fn after(&self, first: &Transform) -> Self {
        let (a, b) = (&self.0, &first.0);
        let mut product = [[0.0; 3]; 3];
        for (i, row) in product.iter_mut().enumerate() {
            for (j, value) in row.iter_mut().enumerate() {
                *value = (0..3).map(|k| a[i][k] * b[k][j]).sum();
            }
        }
        Transform(product).normalised()
    }

    /// The inverse, or `None` if the determinant is zero or not finite.
    pub fn inverse(&self) -> Option<Self> {
        let [a, b, c] = &self.0;
        let minor = |p: &[f64; 3], q: &[f64; 3], i: usize, j: usize| p[i] * q[j] - p[j] * q[i];
        let adjugate = [
            [minor(b, c, 1, 2), minor(a, c, 2, 1), minor(a, b, 1, 2)],
            [minor(b, c, 2, 0), minor(a, c, 0, 2), minor(a, b, 2, 0)],
            [minor(b, c, 0, 1), minor(a, c, 1, 0), minor(a, b, 0, 1)],
        ];
        let determinant = a[0] * adjugate[0][0] + a[1] * adjugate[1][0] + a[2] * adjugate[2][0];
        (determinant.is_finite() && determinant.abs() > 1e-12)
            .then(|| Transform(adjugate).normalised())
    }

    /// The same transform between frames scaled by `factor` (0.5 for frames of half the size).
    pub fn scaled(&self, factor: f64) -> Self {
        let m = &self.0;
        Transform([
            [m[0][0], m[0][1], m[0][2] * factor],
            [m[1][0], m[1][1], m[1][2] * factor],
            [m[2][0] / factor, m[2][1] / factor, m[2][2]],
        ])
    }

    /// The shift (columns, rows) if this is a shift by whole pixels, which needs no interpolation.
    pub fn whole_pixels(&self) -> Option<(isize, isize)> {
        let [[a, b, x], [c, d, y], [e, f, g]] = self.0;
        let plain =
            a == 1.0 && b == 0.0 && c == 0.0 && d == 1.0 && e == 0.0 && f == 0.0 && g == 1.0;
        let whole = x.fract() == 0.0 && y.fract() == 0.0 && x.abs() < 1e9 && y.abs() < 1e9;
        (plain && whole).then_some((x as isize, y as isize))
    }

    /// Shift (columns, rows) at `centre`, pixels, and rotation, degrees, of the transform linearised there. `None` if
    /// it is undefined there.
    pub fn movement(&self, centre: Point) -> Option<(f64, f64, f64)> {
        let at = self.apply(centre)?;
        let right = self.apply(Point {
            x: centre.x + 1.0,
            y: centre.y,
        })?;
        let below = self.apply(Point {
            x: centre.x,
            y: centre.y + 1.0,
        })?;
        let turn = (right.y - at.y - (below.x - at.x)).atan2(right.x - at.x + below.y - at.y);
        Some((at.x - centre.x, at.y - centre.y, turn.to_degrees()))
    }

    /// Scale of the transform linearised at `centre`: the square root of the ratio of areas, 1 without enlargement. `None` if
    /// it is undefined there.
    pub fn scale(&self, centre: Point) -> Option<f64> {
        let at = self.apply(centre)?;
        let beside = |x: f64, y: f64| {
            self.apply(Point {
                x: centre.x + x,
                y: centre.y + y,
            })
        };
        let (right, below) = (beside(1.0, 0.0)?, beside(0.0, 1.0)?);
        let area = (right.x - at.x) * (below.y - at.y) - (right.y - at.y) * (below.x - at.x);
        (area > 0.0).then(|| area.sqrt())
    }

    fn normalised(self) -> Self {
        let w = self.0[2][2];
        if w == 0.0 || !w.is_finite() {
            return self;
        }
        Transform(self.0.map(|row| row.map(|v| v / w)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(a: Point, b: Point) {
        assert!((a.x - b.x).hypot(a.y - b.y) < 1e-9, "{a:?} {b:?}");
    }

    #[test]
    fn inverse_and_product_undo_each_other() {
        let centre = Point { x: 400.0, y: 300.0 };
        let mut map = Transform::turn(centre, 2.5, 13.0, -4.5);
        map.0[2] = [1e-5, -2e-5, 1.0];
        let back = map.inverse().unwrap();
        for (x, y) in [(0.5, 0.5), (799.0, 3.0), (120.0, 590.0)] {
            let p = Point { x, y };
            near(back.apply(map.apply(p).unwrap()).unwrap(), p);
            near(back.after(&map).apply(p).unwrap(), p);
            let half = map
                .scaled(0.5)
                .apply(Point {
                    x: x / 2.0,
                    y: y / 2.0,
                })
                .unwrap();
            let full = map.apply(p).unwrap();
            near(
                Point {
                    x: 2.0 * half.x,
                    y: 2.0 * half.y,
                },
                full,
            );
        }
        assert!(Transform([[0.0; 3]; 3]).inverse().is_none());
    }

    #[test]
    fn movement_names_shift_and_turn() {
        let centre = Point { x: 400.0, y: 300.0 };
        let (columns, rows, degrees) = Transform::turn(centre, -1.25, 7.0, 3.0)
            .movement(centre)
            .unwrap();
        assert!((columns - 7.0).abs() < 1e-9 && (rows - 3.0).abs() < 1e-9);
        assert!((degrees + 1.25).abs() < 1e-9);
    }

    #[test]
    fn scale_is_that_of_lengths() {
        let centre = Point { x: 400.0, y: 300.0 };
        let turned = Transform::turn(centre, 20.0, 7.0, 3.0);
        let zoom = Transform([[0.985, 0.0, 3.0], [0.0, 0.985, -2.0], [0.0, 0.0, 1.0]]);
        let scale = zoom.after(&turned).scale(centre).unwrap();
        assert!((scale - 0.985).abs() < 1e-9, "{scale}");
    }

    #[test]
    fn whole_pixels_are_recognised() {
        assert_eq!(Transform::IDENTITY.whole_pixels(), Some((0, 0)));
        assert_eq!(Transform::shift(-3.0, 12.0).whole_pixels(), Some((-3, 12)));
        assert_eq!(Transform::shift(0.5, 0.0).whole_pixels(), None);
        let turned = Transform::turn(Point { x: 0.0, y: 0.0 }, 0.1, 0.0, 0.0);
        assert_eq!(turned.whole_pixels(), None);
    }
}
