//! Light in a room: window, lamp and ambient light on solids, with soft shadows from fixed sample points.
use super::solids::{Bound, Hit, Ray, Shape, V};

/// A colour: relative radiance of red, green, blue.
pub type Colour = [f64; 3];

/// Material of a surface at one point.
#[derive(Debug, Clone, Copy)]
pub struct Surface {
    /// Diffuse reflectance.
    pub albedo: Colour,
    /// Share of mirror reflection at normal incidence, rising towards grazing incidence after Schlick (1994). 0 is matt.
    pub gloss: f64,
    /// Emitted radiance.
    pub emission: Colour,
    /// Normal, including bumps.
    pub normal: V,
}

/// A solid with its surface function.
pub struct Solid {
    shape: Shape,
    bound: Bound,
    surface: fn(&Hit) -> Surface,
    /// False for thin bright objects that must cast no shadow.
    pub opaque: bool,
}

impl Solid {
    /// An opaque solid of this shape with the surface that `surface` gives at a hit point.
    pub fn new(shape: Shape, surface: fn(&Hit) -> Surface) -> Self {
        Solid {
            bound: shape.bound(),
            shape,
            surface,
            opaque: true,
        }
    }

    /// The first entry of the ray within `reach` metres, if any.
    fn meet(&self, ray: &Ray, reach: f64) -> Option<Hit> {
        if self.bound.is_missed(ray, reach) {
            return None;
        }
        self.shape.meet(ray).filter(|hit| hit.distance < reach)
    }
}

/// A rectangular light in the plane x = constant, facing +x, with a cross of bars.
pub struct Window {
    /// Centre.
    pub centre: V,
    /// Half sizes along y and z.
    pub half: (f64, f64),
    /// Radiance.
    pub colour: Colour,
}

/// A room.
pub struct Room {
    /// All solids.
    pub solids: Vec<Solid>,
    /// The window.
    pub window: Window,
    /// A small lamp: position, and radiant intensity over pi.
    pub lamp: (V, Colour),
    /// Ambient radiance from all sides.
    pub ambient: Colour,
}

/// Number of sub-pixel positions with their own light samples.
pub const PHASES: usize = 4;
const WINDOW_SIDE: usize = 3;
const AMBIENT_RAYS: usize = 8;

impl Room {
    /// Radiance along `ray`. `phase` (0..PHASES) selects one of the interleaved sets of light samples.
    pub fn radiance(&self, ray: &Ray, phase: usize) -> Colour {
        let Some((solid, hit)) = self.first(ray) else {
            return self.ambient;
        };
        let surface = (solid.surface)(&hit);
        let point = ray.origin + ray.direction * hit.distance + hit.normal * 1e-4;
        let window = self.window_light(&point, &surface.normal, phase);
        let lamp = self.lamp_light(&point, &surface.normal);
        // A little reflected light reaches every corner.
        let sky = self.openness(&point, &hit.normal, phase) + 0.006;
        let mirror = self.mirror(ray, &point, &surface);
        std::array::from_fn(|c| {
            let lit =
                window * self.window.colour[c] + lamp * self.lamp.1[c] + sky * self.ambient[c];
            surface.emission[c] + surface.albedo[c] * lit + mirror[c]
        })
    }

    fn first(&self, ray: &Ray) -> Option<(&Solid, Hit)> {
        let mut nearest: Option<(&Solid, Hit)> = None;
        for solid in &self.solids {
            let reach = nearest.map_or(f64::INFINITY, |(_, hit)| hit.distance);
            if let Some(hit) = solid.meet(ray, reach) {
                nearest = Some((solid, hit));
            }
        }
        nearest
    }

    fn blocked(&self, ray: &Ray, reach: f64) -> bool {
        self.solids
            .iter()
            .any(|s| s.opaque && s.meet(ray, reach).is_some())
    }

    /// Irradiance over pi from the window of radiance 1.
    fn window_light(&self, point: &V, normal: &V, phase: usize) -> f64 {
        let (half_y, half_z) = self.window.half;
        let mut sum = 0.0;
        for sample in 0..WINDOW_SIDE * WINDOW_SIDE {
            let inner = [(0.25, 0.25), (0.75, 0.25), (0.25, 0.75), (0.75, 0.75)][phase % PHASES];
            let u = ((sample % WINDOW_SIDE) as f64 + inner.0) / WINDOW_SIDE as f64;
            let v = ((sample / WINDOW_SIDE) as f64 + inner.1) / WINDOW_SIDE as f64;
            let offset = V::new(0.0, (2.0 * u - 1.0) * half_y, (2.0 * v - 1.0) * half_z);
            let to = self.window.centre + offset - point;
            let distance = to.norm();
            let direction = to / distance;
            let (here, there) = (direction.dot(normal), -direction.x);
            let ray = Ray {
                origin: *point,
                direction,
            };
            if here > 0.0 && there > 0.0 && !self.blocked(&ray, distance) {
                sum += here * there / (distance * distance);
            }
        }
        let area = 4.0 * half_y * half_z;
        sum * area / (WINDOW_SIDE * WINDOW_SIDE) as f64 / std::f64::consts::PI
    }

    fn lamp_light(&self, point: &V, normal: &V) -> f64 {
        let to = self.lamp.0 - point;
        let distance = to.norm();
        let direction = to / distance;
        let here = direction.dot(normal);
        let ray = Ray {
            origin: *point,
            direction,
        };
        if here <= 0.0 || self.blocked(&ray, distance) {
            return 0.0;
        }
        here / (distance * distance)
    }

    /// Cosine-weighted share of the half space around the normal that is unobstructed.
    fn openness(&self, point: &V, normal: &V, phase: usize) -> f64 {
        let helper = if normal.z.abs() < 0.9 { V::z() } else { V::x() };
        let right = helper.cross(normal).normalize();
        let up = normal.cross(&right);
        let count = AMBIENT_RAYS * PHASES;
        let open = (0..AMBIENT_RAYS).filter(|i| {
            // A golden-angle spiral over the disc; uniform there is cosine-weighted on the hemisphere.
            let index = (i * PHASES + phase % PHASES) as f64;
            let radius2 = (index + 0.5) / count as f64;
            let (sine, cosine) = libm::sincos(index * 2.399_963_229_728_653);
            let radius = radius2.sqrt();
            let direction =
                right * (radius * cosine) + up * (radius * sine) + normal * (1.0 - radius2).sqrt();
            let ray = Ray {
                origin: *point,
                direction,
            };
            !self.blocked(&ray, 3.0)
        });
        open.count() as f64 / AMBIENT_RAYS as f64
    }

    /// Mirror image of the window and the room in a glossy surface.
    fn mirror(&self, ray: &Ray, point: &V, surface: &Surface) -> Colour {
        if surface.gloss <= 0.0 {
            return [0.0; 3];
        }
        let cosine = (-ray.direction.dot(&surface.normal)).max(0.0);
        let share = surface.gloss + (1.0 - surface.gloss) * (1.0 - cosine).powi(5) * 0.6;
        let direction = ray.direction + surface.normal * (2.0 * cosine);
        let image = Ray {
            origin: *point,
            direction: direction.normalize(),
        };
        let seen = match self.window_seen(&image) {
            Some((distance, colour)) if !self.blocked(&image, distance) => colour,
            _ => self.first(&image).map_or(self.ambient, |(solid, hit)| {
                let s = (solid.surface)(&hit);
                std::array::from_fn(|c| s.emission[c] + s.albedo[c] * self.ambient[c])
            }),
        };
        seen.map(|v| v * share)
    }

    fn window_seen(&self, ray: &Ray) -> Option<(f64, Colour)> {
        let distance = (self.window.centre.x - ray.origin.x) / ray.direction.x;
        if !(distance > 0.0 && distance.is_finite()) {
            return None;
        }
        let at = ray.origin + ray.direction * distance - self.window.centre;
        let (y, z) = (at.y / self.window.half.0, at.z / self.window.half.1);
        let bar = y.abs() < 0.05 || z.abs() < 0.05;
        (y.abs() < 1.0 && z.abs() < 1.0 && !bar).then_some((distance, self.window.colour))
    }
}
