//! A potter's workbench: glazed jars, a tile board, cloth, an edge card, a dark drying box, a bare bulb.
use super::bench_surfaces as surfaces;
use super::room::{Colour, Room, Solid, Surface, Window};
use super::solids::{Hit, Ray, Shape, V, turned};

/// The room of the workbench.
pub fn room() -> Room {
    let mut solids = vec![
        block(
            [0.0, 1.0, -0.05],
            [4.0, 3.0, 0.05],
            (0.0, 0.0),
            surfaces::wood,
        ),
        block(
            [0.0, 1.55, 1.5],
            [4.0, 0.05, 2.0],
            (0.0, 0.0),
            surfaces::plaster,
        ),
    ];
    solids.extend(tile_board());
    solids.extend(drying_box());
    solids.extend(pots());
    solids.extend(flat_things());
    solids.extend(bulb());
    Room {
        solids,
        window: Window {
            centre: V::new(-3.2, -0.6, 1.9),
            half: (1.1, 0.8),
            colour: [7.2, 7.7, 8.4],
        },
        lamp: (BULB, [0.20, 0.145, 0.083]),
        ambient: [0.088, 0.091, 0.100],
    }
}

/// Position of the bulb.
const BULB: V = V::new(0.36, 0.72, 1.06);

/// The ray through the picture at (u, v): u from 0 (left) to the aspect ratio, v from 0 (top) to 1.
pub fn ray(u: f64, v: f64, aspect: f64) -> Ray {
    let eye = V::new(0.0, -2.55, 1.18);
    let forward = (V::new(0.0, 0.75, 0.36) - eye).normalize();
    let right = forward.cross(&V::z()).normalize();
    let up = right.cross(&forward);
    let size = 0.60;
    let direction = forward + right * ((u - aspect / 2.0) * size) + up * ((0.5 - v) * size);
    Ray {
        origin: eye,
        direction: direction.normalize(),
    }
}

fn block(
    centre: [f64; 3],
    half: [f64; 3],
    turn: (f64, f64),
    surface: fn(&Hit) -> Surface,
) -> Solid {
    let shape = Shape::Block {
        centre: V::from(centre),
        half: V::from(half),
        turn: turned(turn.0, turn.1),
    };
    Solid::new(shape, surface)
}

fn ellipsoid(centre: [f64; 3], radii: [f64; 3], surface: fn(&Hit) -> Surface) -> Solid {
    let shape = Shape::Ellipsoid {
        centre: V::from(centre),
        radii: V::from(radii),
    };
    Solid::new(shape, surface)
}

fn cylinder(base: [f64; 3], radius: f64, height: f64, surface: fn(&Hit) -> Surface) -> Solid {
    let shape = Shape::Cylinder {
        base: V::from(base),
        radius,
        height,
    };
    Solid::new(shape, surface)
}

/// A board of glazed colour tiles that leans against the wall.
fn tile_board() -> Vec<Solid> {
    vec![block(
        [-0.62, 1.28, 0.40],
        [0.46, 0.02, 0.38],
        (-14.0, 4.0),
        surfaces::tiles,
    )]
}

/// A wooden box, open to the front, dark inside.
fn drying_box() -> Vec<Solid> {
    let (x, y, z, w, d, h, t) = (0.98, 1.05, 0.34, 0.36, 0.30, 0.34, 0.025);
    let turn = (0.0, 0.0);
    vec![
        block([x - w, y, z], [t, d, h], turn, surfaces::box_wood),
        block([x + w, y, z], [t, d, h], turn, surfaces::box_wood),
        block([x, y, z + h], [w + t, d, t], turn, surfaces::box_wood),
        block([x, y, t], [w + t, d, t], turn, surfaces::box_wood),
        block([x, y + d, z], [w, t, h], turn, surfaces::soot),
        // A half-closed door leaves a narrow opening.
        block(
            [x + 0.12, y - d - 0.01, z],
            [w - 0.12, 0.012, h - 0.02],
            turn,
            surfaces::box_door,
        ),
        block(
            [x - 0.02, y - 0.02, z + 0.02],
            [w - t, d - 0.05, 0.008],
            turn,
            surfaces::soot,
        ),
        ellipsoid(
            [x - 0.22, y - 0.10, z + 0.12],
            [0.075, 0.075, 0.09],
            surfaces::sooty_clay,
        ),
    ]
}

/// Jars, a bowl-like dish and clay balls.
fn pots() -> Vec<Solid> {
    vec![
        ellipsoid([-0.10, 0.86, 0.22], [0.20, 0.20, 0.22], surfaces::celadon),
        cylinder([-0.10, 0.86, 0.38], 0.085, 0.13, surfaces::celadon),
        cylinder([-0.10, 0.86, 0.50], 0.112, 0.022, surfaces::celadon),
        ellipsoid([0.27, 0.52, 0.135], [0.135, 0.135, 0.135], surfaces::cobalt),
        ellipsoid([-0.92, 0.50, 0.13], [0.13, 0.13, 0.13], surfaces::clay),
        ellipsoid(
            [-0.66, 0.30, 0.075],
            [0.075, 0.075, 0.075],
            surfaces::porcelain,
        ),
        cylinder([0.60, 0.30, 0.0], 0.085, 0.15, surfaces::cup),
        ellipsoid([0.60, 0.30, 0.15], [0.074, 0.074, 0.012], surfaces::ink),
    ]
}

/// Cloth and edge card on the bench top, a ruler-like brass strip.
fn flat_things() -> Vec<Solid> {
    vec![
        block(
            [-0.28, 0.22, 0.006],
            [0.30, 0.20, 0.006],
            (0.0, 9.0),
            surfaces::cloth,
        ),
        block(
            [1.02, 0.36, 0.15],
            [0.17, 0.008, 0.15],
            (-20.0, -12.0),
            surfaces::edge_card,
        ),
    ]
}

/// The bulb, its socket and cord. The glass casts no shadow, because its light is the lamp's.
fn bulb() -> Vec<Solid> {
    let [x, y, z]: [f64; 3] = BULB.into();
    let mut parts = vec![
        ellipsoid([x, y, z], [0.062, 0.062, 0.078], surfaces::glass),
        cylinder([x, y, z + 0.068], 0.030, 0.085, surfaces::brass),
        cylinder([x, y, z + 0.15], 0.006, 2.0, surfaces::ink),
    ];
    parts.iter_mut().for_each(|p| p.opaque = false);
    parts
}

/// A matt surface of one colour.
pub(super) fn matt(hit: &Hit, albedo: Colour) -> Surface {
    Surface {
        albedo,
        gloss: 0.0,
        emission: [0.0; 3],
        normal: hit.normal,
    }
}
