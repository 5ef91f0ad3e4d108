//! Plane projective geometry: homographies by direct linear transform, exact for four points or fitted to more.
use crate::raster::{Point, Quad, Transform};
use nalgebra::{Matrix3, SMatrix, SVector, Vector3};

/// A plane projective transform, `(x, y, 1) -> H (x, y, 1)` up to scale. Points are in pixels unless said otherwise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Homography(Matrix3<f64>);

/// Corners of the unit square in page order (y down, clockwise): (0,0), (1,0), (1,1), (0,1).
pub const UNIT_SQUARE: Quad = [
    Point { x: 0.0, y: 0.0 },
    Point { x: 1.0, y: 0.0 },
    Point { x: 1.0, y: 1.0 },
    Point { x: 0.0, y: 1.0 },
];

impl Homography {
    /// The same map as a transform of pixels; the identity where there is none, or where it has no inverse.
    pub fn of_transform(transform: Option<Transform>) -> Self {
        transform
            .and_then(|t| Homography::of_rows(t.0))
            .unwrap_or_else(Homography::identity)
    }

    /// The identity.
    pub fn identity() -> Self {
        Homography(Matrix3::identity())
    }

    /// From the nine elements, row by row. `None` if one is not finite or the matrix is singular.
    pub fn of_rows(rows: [[f64; 3]; 3]) -> Option<Self> {
        let matrix = Matrix3::from_fn(|r, c| rows[r][c]);
        let usable = matrix.iter().all(|v| v.is_finite()) && matrix.try_inverse().is_some();
        usable.then_some(Homography(matrix))
    }

    /// The homography that maps the corners of `from` to those of `to`; `None` if three corners of either are
    /// collinear.
    pub fn between(from: &Quad, to: &Quad) -> Option<Self> {
        let mut system = SMatrix::<f64, 8, 8>::zeros();
        let mut right = SVector::<f64, 8>::zeros();
        for (i, (p, q)) in from.iter().zip(to).enumerate() {
            let (u, v) = (2 * i, 2 * i + 1);
            let rows = [
                [p.x, p.y, 1.0, 0.0, 0.0, 0.0, -p.x * q.x, -p.y * q.x],
                [0.0, 0.0, 0.0, p.x, p.y, 1.0, -p.x * q.y, -p.y * q.y],
            ];
            for (c, (a, b)) in rows[0].iter().zip(&rows[1]).enumerate() {
                system[(u, c)] = *a;
                system[(v, c)] = *b;
            }
            right[u] = q.x;
            right[v] = q.y;
        }
        let h = system.lu().solve(&right)?;
        Self::of_rows([[h[0], h[1], h[2]], [h[3], h[4], h[5]], [h[6], h[7], 1.0]])
    }

    /// The homography that maps the points `from` to `to` with the least squared residual of the linearised
    /// equations, in normalised coordinates (Hartley 1997). `None` for fewer than four points, or collinear ones.
    pub fn fitted(from: &[Point], to: &[Point]) -> Option<Self> {
        if from.len() < 4 || from.len() != to.len() {
            return None;
        }
        let (here, there) = (normaliser(from)?, normaliser(to)?);
        let (mut normal, mut right) = (SMatrix::<f64, 8, 8>::zeros(), SVector::<f64, 8>::zeros());
        for (p, q) in from.iter().zip(to) {
            let (p, q) = (here.map(*p), there.map(*q));
            let x = SVector::from([p.x, p.y, 1.0, 0.0, 0.0, 0.0, -p.x * q.x, -p.y * q.x]);
            let y = SVector::from([0.0, 0.0, 0.0, p.x, p.y, 1.0, -p.x * q.y, -p.y * q.y]);
            normal += x * x.transpose() + y * y.transpose();
            right += x * q.x + y * q.y;
        }
        let h = normal.cholesky()?.solve(&right);
        let rows = [[h[0], h[1], h[2]], [h[3], h[4], h[5]], [h[6], h[7], 1.0]];
        let map = here.then(&Self::of_rows(rows)?).then(&there.inverse()?);
        Self::of_rows([0, 1, 2].map(|r| [0, 1, 2].map(|c| map.0[(r, c)])))
    }

    /// Image of a point. Not finite for a point on the horizon.
    pub fn map(&self, p: Point) -> Point {
        let v = self.0 * Vector3::new(p.x, p.y, 1.0);
        Point {
            x: v[0] / v[2],
            y: v[1] / v[2],
        }
    }

    /// Image of a quadrilateral's corners.
    pub fn map_quad(&self, quad: &Quad) -> Quad {
        quad.map(|p| self.map(p))
    }

    /// The composition: first `self`, then `next`.
    pub fn then(&self, next: &Homography) -> Homography {
        Homography(next.0 * self.0)
    }

    /// The inverse; `None` if the matrix is numerically singular.
    pub fn inverse(&self) -> Option<Homography> {
        self.0.try_inverse().map(Homography)
    }
}

/// The similarity that moves the centroid of the points to 0 and scales their mean squared coordinate to 1; `None` if
/// all points coincide.
fn normaliser(points: &[Point]) -> Option<Homography> {
    let n = points.len() as f64;
    let x = points.iter().map(|p| p.x).sum::<f64>() / n;
    let y = points.iter().map(|p| p.y).sum::<f64>() / n;
    let square: f64 = points
        .iter()
        .map(|p| (p.x - x).powi(2) + (p.y - y).powi(2))
        .sum();
    let scale = (2.0 * n / square).sqrt();
    Homography::of_rows([
        [scale, 0.0, -scale * x],
        [0.0, scale, -scale * y],
        [0.0, 0.0, 1.0],
    ])
}

/// Twice the signed area of the triangle a, b, c; positive if they run clockwise on the page (y down).
pub fn turn(a: Point, b: Point, c: Point) -> f64 {
    (b.x - a.x) * (c.y - a.y) - (b.y - a.y) * (c.x - a.x)
}

/// True if the quadrilateral is convex and its corners run clockwise on the page.
pub fn is_convex_page(quad: &Quad) -> bool {
    (0..4).all(|i| turn(quad[i], quad[(i + 1) % 4], quad[(i + 2) % 4]) > 0.0)
}

/// True if the point is inside a convex quadrilateral whose corners run clockwise on the page, edges included.
pub fn contains(quad: &Quad, p: Point) -> bool {
    (0..4).all(|i| turn(quad[i], quad[(i + 1) % 4], p) >= 0.0)
}

/// Length of the shortest side, pixels.
pub fn shortest_side(quad: &Quad) -> f64 {
    (0..4)
        .map(|i| distance(quad[i], quad[(i + 1) % 4]))
        .fold(f64::INFINITY, f64::min)
}

/// Euclidean distance of two points.
pub fn distance(a: Point, b: Point) -> f64 {
    (a.x - b.x).hypot(a.y - b.y)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn quad(v: [f64; 8]) -> Quad {
        [0, 2, 4, 6].map(|i| Point {
            x: v[i],
            y: v[i + 1],
        })
    }

    #[test]
    fn agrees_with_a_reference_library() {
        // OpenCV 5.0.0 getPerspectiveTransform and perspectiveTransform on the same corners, computed once.
        let from = quad([10.0, 20.0, 310.0, 25.0, 300.0, 140.0, 5.0, 150.0]);
        let map = Homography::between(&UNIT_SQUARE, &from).unwrap();
        let got = map.map(Point { x: 0.25, y: 0.75 });
        assert!(
            (got.x - REFERENCE.0).abs() < 1e-9 && (got.y - REFERENCE.1).abs() < 1e-9,
            "{got:?}"
        );
    }

    const REFERENCE: (f64, f64) = (87.293_060_936_949_63, 116.273_335_681_578_03);

    #[test]
    fn goes_there_and_back() {
        let a = quad([10.0, 20.0, 310.0, 25.0, 300.0, 140.0, 5.0, 150.0]);
        let b = quad([0.0, 0.0, 7.0, 1.0, 6.0, 9.0, -1.0, 8.0]);
        let map = Homography::between(&a, &b).unwrap();
        let round = map.then(&map.inverse().unwrap());
        for p in a {
            let q = round.map(p);
            assert!(distance(p, q) < 1e-9);
        }
    }

    #[test]
    fn a_fit_through_many_points_finds_the_map() {
        let corners = quad([10.0, 20.0, 310.0, 25.0, 300.0, 140.0, 5.0, 150.0]);
        let map = Homography::between(&UNIT_SQUARE, &corners).unwrap();
        let from: Vec<Point> = (0..12)
            .map(|i| Point {
                x: f64::from(i % 4) / 3.0,
                y: f64::from(i / 4) / 2.0,
            })
            .collect();
        let to: Vec<Point> = from.iter().map(|p| map.map(*p)).collect();
        let fitted = Homography::fitted(&from, &to).unwrap();
        for (a, b) in from.iter().zip(&to) {
            assert!(distance(fitted.map(*a), *b) < 1e-8);
        }
    }

    #[test]
    fn refuses_corners_on_a_line() {
        let flat = quad([0.0, 0.0, 1.0, 0.0, 2.0, 0.0, 0.0, 1.0]);
        assert!(Homography::between(&UNIT_SQUARE, &flat).is_none());
        assert!(!is_convex_page(&flat));
    }
}
