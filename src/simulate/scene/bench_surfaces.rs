//! Surfaces of the workbench: wood, plaster, glazes, cloth, tiles, the edge card, the bulb's glass.
use super::bench::matt;
use super::noise::{fractal, hash, step, stones};
use super::room::{Colour, Surface};
use super::solids::{Hit, V};

fn mix(a: Colour, b: Colour, t: f64) -> Colour {
    std::array::from_fn(|c| a[c] + (b[c] - a[c]) * t)
}

fn scale(a: Colour, s: f64) -> Colour {
    a.map(|v| v * s)
}

/// Wood grain along x at (x, y), metres: 0 light, 1 dark.
fn grain(x: f64, y: f64, seed: u64) -> f64 {
    let wave = fractal(x * 1.3, y * 5.0, 3, seed);
    let rings = libm::sin((y * 26.0 + wave * 4.5) * 2.2);
    let fibre = fractal(x * 7.0, y * 190.0, 3, seed + 9);
    (0.45 + 0.30 * rings * rings.abs() + 0.28 * fibre).clamp(0.0, 1.0)
}

pub(super) fn wood(hit: &Hit) -> Surface {
    let (x, y) = (hit.local.x, hit.local.y);
    let plank = (y / 0.24).floor();
    let tone = hash(plank as i64, 0, 11);
    let shift = 3.0 * hash(plank as i64, 1, 11);
    let dark = grain(x + shift, y + 0.7 * tone, 40 + plank.abs() as u64 % 7);
    let joint = step(0.0, 0.004, (y - plank * 0.24).min(plank * 0.24 + 0.24 - y));
    let colour = mix([0.42, 0.27, 0.155], [0.17, 0.095, 0.05], dark);
    let worn = 1.0 + 0.12 * fractal(x * 2.0, y * 2.0, 3, 77);
    let mut surface = matt(
        hit,
        scale(colour, (0.85 + 0.3 * tone) * worn * (0.15 + 0.85 * joint)),
    );
    surface.gloss = 0.012;
    surface
}

pub(super) fn plaster(hit: &Hit) -> Surface {
    let (x, z) = (hit.local.x, hit.local.z);
    let cloudy = fractal(x * 1.7, z * 1.7, 4, 5);
    let fine = fractal(x * 45.0, z * 45.0, 3, 6);
    let colour = mix([0.46, 0.43, 0.38], [0.55, 0.53, 0.49], 0.5 + 0.5 * cloudy);
    // A dado: the lower part is painted grey-green.
    let dado = step(-0.862, -0.858, z + 0.004 * fractal(x * 6.0, 0.0, 2, 8));
    let colour = mix([0.20, 0.25, 0.235], colour, dado);
    matt(hit, scale(colour, 1.0 + 0.05 * fine))
}

pub(super) fn box_wood(hit: &Hit) -> Surface {
    let l = hit.local;
    let dark = grain(l.z * 1.2 + l.x, l.y + l.x * 0.6, 91);
    matt(hit, mix([0.34, 0.20, 0.10], [0.13, 0.07, 0.035], dark))
}

pub(super) fn box_door(hit: &Hit) -> Surface {
    let dark = grain(hit.local.z, hit.local.x + 0.3, 17);
    let colour = mix([0.36, 0.22, 0.115], [0.15, 0.08, 0.04], dark);
    let (x, z) = (hit.local.x.abs() / 0.24, hit.local.z.abs() / 0.32);
    let frame = step(0.74, 0.76, x.max(z));
    let groove = step(0.0, 0.02, (x.max(z) - 0.75).abs());
    matt(
        hit,
        scale(colour, (0.8 + 0.25 * frame) * (0.35 + 0.65 * groove)),
    )
}

pub(super) fn soot(hit: &Hit) -> Surface {
    let l = hit.local;
    let streak = fractal(l.x * 30.0, l.z * 8.0 + l.y * 9.0, 4, 23);
    matt(hit, scale([0.026, 0.024, 0.022], 1.0 + 0.6 * streak))
}

pub(super) fn sooty_clay(hit: &Hit) -> Surface {
    matt(hit, [0.10, 0.07, 0.05])
}

pub(super) fn clay(hit: &Hit) -> Surface {
    let l = hit.local;
    let angle = libm::atan2(l.y, l.x);
    let speckle = fractal(angle * 14.0, l.z * 110.0, 3, 31);
    let throwing = libm::sin(l.z * 330.0 + 0.6 * libm::sin(angle));
    let mut surface = matt(
        hit,
        scale([0.42, 0.20, 0.115], 1.0 + 0.14 * speckle + 0.06 * throwing),
    );
    surface.normal = (hit.normal + V::z() * (0.10 * throwing)).normalize();
    surface
}

fn glaze(hit: &Hit, albedo: Colour) -> Surface {
    Surface {
        gloss: 0.045,
        ..matt(hit, albedo)
    }
}

pub(super) fn celadon(hit: &Hit) -> Surface {
    let l = hit.local;
    let angle = libm::atan2(l.y, l.x);
    // The glaze runs: deeper green towards the foot, crackled.
    let run = step(
        -0.2,
        0.16,
        l.z + 0.03 * fractal(angle * 3.0, l.z * 3.0, 3, 12),
    );
    let (joint, _) = stones(angle * 9.0, l.z * 42.0, 14);
    let crackle = 0.82 + 0.18 * step(0.0, 0.07, joint);
    glaze(
        hit,
        scale(mix([0.13, 0.26, 0.20], [0.34, 0.47, 0.38], run), crackle),
    )
}

pub(super) fn cobalt(hit: &Hit) -> Surface {
    let l = hit.local;
    let angle = libm::atan2(l.y, l.x);
    let cloud = fractal(angle * 4.0, l.z * 16.0, 4, 52);
    let band = step(0.018, 0.022, (l.z - 0.055).abs());
    glaze(
        hit,
        mix(
            [0.55, 0.52, 0.44],
            scale([0.03, 0.075, 0.30], 1.0 + 0.5 * cloud),
            band,
        ),
    )
}

pub(super) fn porcelain(hit: &Hit) -> Surface {
    glaze(hit, [0.78, 0.77, 0.74])
}

pub(super) fn cup(hit: &Hit) -> Surface {
    let angle = libm::atan2(hit.local.y, hit.local.x);
    let stripe = step(-0.15, 0.15, libm::sin(angle * 12.0));
    let lip = step(0.118, 0.122, hit.local.z);
    glaze(
        hit,
        mix(
            mix([0.62, 0.20, 0.07], [0.72, 0.62, 0.42], stripe),
            [0.72, 0.62, 0.42],
            lip,
        ),
    )
}

pub(super) fn ink(hit: &Hit) -> Surface {
    glaze(hit, [0.012, 0.012, 0.014])
}

pub(super) fn brass(hit: &Hit) -> Surface {
    Surface {
        gloss: 0.25,
        ..matt(hit, [0.30, 0.21, 0.09])
    }
}

pub(super) fn cloth(hit: &Hit) -> Surface {
    let (x, y) = (hit.local.x, hit.local.y);
    let threads = 420.0;
    let (warp, weft) = (libm::sin(x * threads), libm::sin(y * threads));
    let over = step(-0.4, 0.4, warp * weft);
    let weave = 0.72 + 0.28 * (over * warp.abs() + (1.0 - over) * weft.abs());
    let stripe = step(
        0.30,
        0.36,
        libm::sin(x * 42.0)
            .abs()
            .min(libm::sin(y * 42.0 + 0.8).abs()),
    );
    let fold = 1.0 + 0.15 * fractal(x * 5.0, y * 5.0, 3, 61);
    let colour = mix([0.16, 0.045, 0.05], [0.58, 0.53, 0.44], stripe);
    let mut surface = matt(hit, scale(colour, weave * fold));
    let tilt = V::new(
        fractal(x * 6.0, y * 6.0, 2, 62),
        fractal(x * 6.0, y * 6.0, 2, 66),
        0.0,
    );
    surface.normal = (hit.normal + tilt * 0.22).normalize();
    surface
}

/// Reflectances of the tile board, row by row from the top: our own choice of glazes and five greys.
const TILES: [Colour; 15] = [
    [0.70, 0.68, 0.64],
    [0.42, 0.41, 0.39],
    [0.20, 0.195, 0.19],
    [0.085, 0.083, 0.082],
    [0.030, 0.029, 0.029],
    [0.52, 0.10, 0.06],
    [0.62, 0.36, 0.05],
    [0.12, 0.33, 0.13],
    [0.05, 0.16, 0.42],
    [0.30, 0.09, 0.30],
    [0.55, 0.33, 0.24],
    [0.60, 0.55, 0.26],
    [0.10, 0.34, 0.36],
    [0.28, 0.40, 0.56],
    [0.36, 0.19, 0.10],
];

pub(super) fn tiles(hit: &Hit) -> Surface {
    if hit.local.y > -0.019 {
        return matt(hit, [0.12, 0.11, 0.10]);
    }
    let (u, v) = (
        (hit.local.x / 0.46 + 1.0) * 2.5,
        (1.0 - hit.local.z / 0.38) * 1.5,
    );
    let (column, row) = (u.floor().clamp(0.0, 4.0), v.floor().clamp(0.0, 2.0));
    let (du, dv) = (u - column - 0.5, v - row - 0.5);
    // Grout of even width although tiles are wider in u than v.
    let (eu, ev) = ((0.5 - du.abs()) * 0.184, (0.5 - dv.abs()) * 0.2533);
    let tile = step(0.008, 0.0095, eu.min(ev));
    let colour = TILES[(row * 5.0 + column) as usize % TILES.len()];
    let cloud = 1.0 + 0.06 * fractal(u * 4.0, v * 4.0, 4, 71);
    let mut surface = matt(hit, mix([0.33, 0.32, 0.30], scale(colour, cloud), tile));
    surface.gloss = 0.03 * tile;
    surface
}

pub(super) fn edge_card(hit: &Hit) -> Surface {
    if hit.local.y > -0.007 {
        return matt(hit, [0.3, 0.3, 0.3]);
    }
    // A slanted square, 5 degrees, on a light card: edges for sharpness.
    let (sine, cosine) = libm::sincos(5f64.to_radians());
    let (x, z) = (hit.local.x, hit.local.z);
    let (a, b) = (cosine * x - sine * z, sine * x + cosine * z);
    let inside = a.abs().max(b.abs()) < 0.09;
    let quarter = inside && a * b > 0.0;
    let level = if quarter {
        0.11
    } else if inside {
        0.03
    } else {
        0.62
    };
    matt(hit, [level, level, level * 0.98])
}

/// Frosted glass with a glowing filament: the brightest object in the room.
pub(super) fn glass(hit: &Hit) -> Surface {
    let (x, z) = (hit.local.x, hit.local.z);
    let zigzag = 0.012 * libm::asin(libm::sin(x * 260.0));
    let thread = libm::exp(-((z - zigzag) / 0.004).powi(2)) * step(0.036, 0.030, x.abs());
    let halo = libm::exp(-(x * x + z * z) / 0.0009);
    let rim = (1.0 - hit.normal.y.abs()).powi(2);
    let glow = 0.9 + 4.0 * halo + 42.0 * thread - 0.5 * rim;
    Surface {
        emission: [1.0 * glow, 0.72 * glow, 0.40 * glow],
        gloss: 0.03,
        ..matt(hit, [0.05, 0.05, 0.05])
    }
}
