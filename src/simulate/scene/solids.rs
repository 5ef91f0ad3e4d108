//! Simple solids and their intersection with a ray: ellipsoids, boxes in any position, upright cylinders.
use nalgebra::{Matrix3, Vector3};

/// A point or direction: x to the right, y away from the camera, z up; metres.
pub type V = Vector3<f64>;

/// A ray; `direction` has length 1.
#[derive(Debug, Clone, Copy)]
pub struct Ray {
    /// Start.
    pub origin: V,
    /// Unit direction.
    pub direction: V,
}

/// The shape of a solid.
#[derive(Debug, Clone)]
pub enum Shape {
    /// Centre and half axes along x, y, z.
    Ellipsoid {
        /// Centre.
        centre: V,
        /// Half axes.
        radii: V,
    },
    /// Centre, half sizes, and the rotation from the box's own axes to the room's.
    Block {
        /// Centre.
        centre: V,
        /// Half sizes along the box's own axes.
        half: V,
        /// Rotation.
        turn: Matrix3<f64>,
    },
    /// Upright cylinder, closed at both ends.
    Cylinder {
        /// Centre of the lower end.
        base: V,
        /// Radius.
        radius: f64,
        /// Height.
        height: f64,
    },
}

/// A sphere that holds a solid whole, so that most rays are known to miss it before it is asked.
#[derive(Debug, Clone, Copy)]
pub struct Bound {
    centre: V,
    radius: f64,
}

impl Bound {
    /// True if the ray stays outside the sphere for its first `reach` metres.
    pub fn is_missed(&self, ray: &Ray, reach: f64) -> bool {
        let to = self.centre - ray.origin;
        let along = to.dot(&ray.direction);
        along < -self.radius
            || along > reach + self.radius
            || to.dot(&to) - along * along > self.radius * self.radius
    }
}

/// Point where a ray enters a solid.
#[derive(Debug, Clone, Copy)]
pub struct Hit {
    /// Distance along the ray.
    pub distance: f64,
    /// Outward unit normal.
    pub normal: V,
    /// The point in the solid's own coordinates (relative to its centre or base).
    pub local: V,
}

/// Rotation about x (lean back), then about z (to the left), degrees.
pub fn turned(lean: f64, turn: f64) -> Matrix3<f64> {
    let (sl, cl) = libm::sincos(lean.to_radians());
    let (st, ct) = libm::sincos(turn.to_radians());
    let about_x = Matrix3::new(1.0, 0.0, 0.0, 0.0, cl, -sl, 0.0, sl, cl);
    let about_z = Matrix3::new(ct, -st, 0.0, st, ct, 0.0, 0.0, 0.0, 1.0);
    about_z * about_x
}

impl Shape {
    /// A sphere about the solid, a little larger than need be for the sake of rounding.
    pub fn bound(&self) -> Bound {
        let (centre, radius) = match self {
            Shape::Ellipsoid { centre, radii } => (*centre, radii.max()),
            Shape::Block { centre, half, .. } => (*centre, half.norm()),
            Shape::Cylinder {
                base,
                radius,
                height,
            } => (base + V::z() * (height / 2.0), radius.hypot(height / 2.0)),
        };
        Bound {
            centre,
            radius: radius * (1.0 + 1e-6) + 1e-6,
        }
    }

    /// The first entry of the ray at a distance above 1e-6, if any.
    pub fn meet(&self, ray: &Ray) -> Option<Hit> {
        match self {
            Shape::Ellipsoid { centre, radii } => meet_ellipsoid(ray, centre, radii),
            Shape::Block { centre, half, turn } => meet_block(ray, centre, half, turn),
            Shape::Cylinder {
                base,
                radius,
                height,
            } => meet_cylinder(ray, base, *radius, *height),
        }
    }
}

fn meet_ellipsoid(ray: &Ray, centre: &V, radii: &V) -> Option<Hit> {
    let from = (ray.origin - centre).component_div(radii);
    let along = ray.direction.component_div(radii);
    let (a, b, c) = (along.dot(&along), from.dot(&along), from.dot(&from) - 1.0);
    let root = b * b - a * c;
    if root <= 0.0 {
        return None;
    }
    let distance = (-b - root.sqrt()) / a;
    (distance > 1e-6).then(|| {
        let local = ray.origin + ray.direction * distance - centre;
        let normal = local.component_div(radii).component_div(radii).normalize();
        Hit {
            distance,
            normal,
            local,
        }
    })
}

fn meet_block(ray: &Ray, centre: &V, half: &V, turn: &Matrix3<f64>) -> Option<Hit> {
    let from = turn.tr_mul(&(ray.origin - centre));
    let along = turn.tr_mul(&ray.direction);
    let (mut enter, mut leave, mut axis) = (f64::MIN, f64::MAX, 0);
    for i in 0..3 {
        let inverse = 1.0 / along[i];
        let (a, b) = (
            (-half[i] - from[i]) * inverse,
            (half[i] - from[i]) * inverse,
        );
        let (near, far) = if a < b { (a, b) } else { (b, a) };
        if near > enter {
            (enter, axis) = (near, i);
        }
        leave = leave.min(far);
    }
    if enter > leave || enter <= 1e-6 {
        return None;
    }
    let mut face = V::zeros();
    face[axis] = -along[axis].signum();
    Some(Hit {
        distance: enter,
        normal: turn * face,
        local: from + along * enter,
    })
}

fn meet_cylinder(ray: &Ray, base: &V, radius: f64, height: f64) -> Option<Hit> {
    let (o, d) = (ray.origin - base, ray.direction);
    let (a, b) = (d.x * d.x + d.y * d.y, o.x * d.x + o.y * d.y);
    let root = b * b - a * (o.x * o.x + o.y * o.y - radius * radius);
    let side = (root > 0.0 && a > 0.0)
        .then(|| (-b - root.sqrt()) / a)
        .filter(|t| *t > 1e-6 && (0.0..=height).contains(&(o.z + d.z * t)))
        .map(|t| (t, V::new(o.x + d.x * t, o.y + d.y * t, 0.0) / radius));
    let end = [0.0, height].map(|level| (level - o.z) / d.z);
    let cap = end
        .into_iter()
        .filter(|t| {
            *t > 1e-6 && (o.x + d.x * t).powi(2) + (o.y + d.y * t).powi(2) < radius * radius
        })
        .min_by(f64::total_cmp)
        .map(|t| (t, V::new(0.0, 0.0, -d.z.signum())));
    let first = match (side, cap) {
        (Some(s), Some(c)) => Some(if s.0 < c.0 { s } else { c }),
        (s, c) => s.or(c),
    };
    first.map(|(distance, normal)| Hit {
        distance,
        normal,
        local: o + d * distance,
    })
}
