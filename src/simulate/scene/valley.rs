//! A valley at low sun: sky and cloud, far ridges, terraced slopes, a lake, painted from back to front.
use super::noise::{fractal, step, value};
use super::room::Colour;
use super::valley_things as things;

/// Position of the sun: (u, v), u from 0 to the aspect ratio, v from 0 at the top to 1.
const SUN: (f64, f64) = (0.93, 0.135);
/// v of the far shore of the lake.
const SHORE: f64 = 0.63;

pub(super) fn mix(a: Colour, b: Colour, t: f64) -> Colour {
    std::array::from_fn(|c| a[c] + (b[c] - a[c]) * t)
}

pub(super) fn scale(a: Colour, s: f64) -> Colour {
    a.map(|v| v * s)
}

/// Radiance at (u, v) of a picture `aspect` wide and 1 high.
pub fn radiance(u: f64, v: f64, aspect: f64) -> Colour {
    // Composed for a width of 4/3; other shapes are stretched.
    let u = u / aspect * 4.0 / 3.0;
    if let Some(near) = things::near(u, v) {
        return near;
    }
    land(u, v).unwrap_or_else(|| sky(u, v))
}

/// Sky with its gradient, the glow of the sun, and cloud lit from behind.
fn sky(u: f64, v: f64) -> Colour {
    let height = (1.0 - v / 0.55).clamp(0.0, 1.0);
    let clear = mix(
        [0.92, 0.80, 0.66],
        [0.16, 0.33, 0.66],
        libm::pow(height, 0.75),
    );
    let distance = ((u - SUN.0).powi(2) + (v - SUN.1).powi(2)).sqrt();
    let glow = 1.5 * libm::exp(-distance / 0.030) + 0.40 * libm::exp(-distance / 0.17);
    let disc = 60.0 * step(0.0165, 0.0150, distance);
    let base: Colour = std::array::from_fn(|c| clear[c] * 0.62 + glow * [1.0, 0.86, 0.62][c]);
    let with_sun: Colour = std::array::from_fn(|c| base[c] + disc * [1.0, 0.93, 0.78][c]);
    cloud(u, v, with_sun, distance)
}

fn cloud(u: f64, v: f64, behind: Colour, sun_distance: f64) -> Colour {
    let density = |u: f64, v: f64| {
        let bands = fractal(u * 2.6 + 3.1, v * 5.2 + 0.4, 6, 201);
        let heap = 0.75 - 5.0 * (v - 0.21).powi(2) / 0.05;
        bands + 0.42 * heap + 0.16 * value(u * 1.4, v * 2.0, 210) - 0.15
    };
    let here = density(u, v);
    let cover = step(0.0, 0.34, here);
    // Thickness towards the sun: edges facing it are bright.
    let (du, dv) = (SUN.0 - u, SUN.1 - v);
    let reach = 0.045 / (sun_distance + 0.05);
    let towards = density(u + du * reach, v + dv * reach);
    let lit = (0.62 + 1.1 * (here - towards)).clamp(0.12, 1.25);
    let silver = 2.4 * libm::exp(-sun_distance / 0.14) * (1.0 - step(0.05, 0.45, here));
    let body = mix([0.33, 0.36, 0.43], [1.10, 1.02, 0.92], lit);
    let colour: Colour = std::array::from_fn(|c| body[c] + silver * [1.0, 0.88, 0.70][c]);
    mix(behind, colour, 0.93 * cover)
}

/// Height of a ridge line (v of its crest) at u.
fn crest(u: f64, base: f64, rise: f64, scale: f64, seed: u64) -> f64 {
    let sharp = 1.0 - 2.0 * fractal(u * scale + 7.7, 0.3, 6, seed).abs();
    base - rise * (0.55 * sharp + 0.45 * fractal(u * scale * 0.45, 1.7, 2, seed + 40))
}

/// Ridges, slopes, lake; `None` where the sky shows.
fn land(u: f64, v: f64) -> Option<Colour> {
    if v > SHORE {
        return Some(lake(u, v));
    }
    slopes(u, v).or_else(|| ridges(u, v))
}

/// Far ridges, each bluer and paler than the nearer one.
fn ridges(u: f64, v: f64) -> Option<Colour> {
    let haze = [0.52, 0.55, 0.60];
    let rows = [
        (0.545, 0.085, 2.1, 305u64, 0.30, [0.055, 0.085, 0.060]),
        (0.470, 0.120, 1.5, 320, 0.58, [0.075, 0.090, 0.100]),
        (0.400, 0.150, 1.1, 335, 0.84, [0.095, 0.100, 0.120]),
    ];
    for (base, rise, wide, seed, far, colour) in rows {
        let top = crest(u, base, rise, wide, seed);
        if v < top {
            continue;
        }
        let below = v - top;
        let gully = fractal(u * wide * 9.0 + below * 14.0, below * 24.0, 5, seed + 3);
        let side = fractal(u * wide * 4.0 - below * 9.0, below * 5.0, 4, seed + 7);
        let light = (0.75 + 0.75 * side + 0.35 * gully).clamp(0.15, 1.8);
        // Snow on the farthest ridge.
        let snow = if far > 0.8 {
            step(0.085, 0.02, below + 0.05 * gully)
        } else {
            0.0
        };
        let ground = scale(mix(colour, [0.62, 0.62, 0.66], snow), light);
        let mist = (far + 0.9 * below).min(0.93);
        return Some(mix(ground, haze, mist));
    }
    None
}

/// Terraced slopes on both sides of the valley.
fn slopes(u: f64, v: f64) -> Option<Colour> {
    let left = 0.405
        + 0.62 * (u - 0.02) * (u - 0.02)
        + 0.34 * u * step(0.0, 0.8, u)
        + 0.012 * fractal(u * 5.0, 0.0, 4, 401);
    let right = 0.435 + 0.40 * (1.33 - u) + 0.010 * fractal(u * 6.0, 3.0, 4, 402);
    let (top, side) = if left < right {
        (left, 0.0)
    } else {
        (right, 1.0)
    };
    if v < top || v > SHORE {
        return None;
    }
    let depth = (v - top) / (SHORE - top).max(0.02);
    Some(terraces(u, v, depth, side))
}

/// Fields between dry walls that follow the slope; `depth` runs from the crest (0) to the shore (1).
fn terraces(u: f64, v: f64, depth: f64, side: f64) -> Colour {
    let bend = 0.5 * fractal(u * 2.6, v * 2.0 + side * 9.0, 3, 411);
    let position = libm::pow(depth, 0.8) * 8.5 + 2.2 * bend + 1.8 * u * (0.5 - side);
    let index = position.floor();
    let within = position - index;
    let parcel = (u * 3.4 + 0.37 * index + 0.25 * bend).floor();
    let kind = super::noise::hash(index as i64 + 50, parcel as i64, 421 + side as u64);
    let crops: [Colour; 5] = [
        [0.155, 0.215, 0.050],
        [0.310, 0.270, 0.080],
        [0.085, 0.150, 0.040],
        [0.235, 0.160, 0.085],
        [0.190, 0.240, 0.075],
    ];
    let crop = crops[(kind * 4.999) as usize];
    let rows = 0.86 + 0.14 * libm::sin((u * 330.0 + v * 150.0 * (kind - 0.5)) * (0.6 + kind));
    let fine = 1.0 + 0.26 * fractal(u * 70.0, v * 140.0, 4, 431);
    // Sun from the right: the left slope is lit, the right one in shade.
    let sun = if side < 0.5 { 1.30 } else { 0.42 };
    let cloud_shade = 0.72 + 0.28 * step(-0.25, 0.2, fractal(u * 1.9 + 4.0, v * 4.0, 3, 433));
    let field = scale(crop, rows * fine * sun * cloud_shade);
    let wall = step(0.87, 0.93, within);
    let stone = 0.6 + 0.5 * value(u * 210.0, v * 260.0, 441);
    let shade = step(0.0, 0.12, within) * 0.5 + 0.5;
    let coloured = mix(
        scale(field, shade),
        scale([0.135, 0.125, 0.112], stone * sun),
        wall,
    );
    let wooded = things::copse(u, v, depth, side);
    let mist = (0.34 * (1.0 - depth)).max(0.06);
    mix(
        mix(
            coloured,
            scale([0.018, 0.030, 0.012], 0.7 + 0.5 * fine * sun),
            wooded,
        ),
        [0.50, 0.52, 0.54],
        mist,
    )
}

/// The lake mirrors what is above its shore, broken by ripples that grow towards the front.
fn lake(u: f64, v: f64) -> Colour {
    let near = (v - SHORE) / (1.0 - SHORE);
    let stretch = 1.0 / (0.03 + near);
    let ripple = fractal(
        u * 16.0 * stretch.sqrt(),
        9.0 * libm::log(0.02 + near) * 6.0,
        4,
        501,
    );
    let (mu, mv) = (
        u + 0.006 * ripple,
        SHORE - (v - SHORE) * 1.18 + (0.004 + 0.075 * near) * ripple,
    );
    let seen = slopes(mu, mv.min(SHORE))
        .or_else(|| ridges(mu, mv))
        .unwrap_or_else(|| sky(mu, mv));
    // Water reflects less at steeper angles.
    let share = 0.62 - 0.34 * near;
    let deep = [0.010, 0.022, 0.026];
    let mirror: Colour = std::array::from_fn(|c| deep[c] + share * seen[c].min(20.0));
    let bank = step(
        0.012,
        0.002,
        v - SHORE + 0.006 * fractal(u * 24.0, 0.0, 3, 511),
    );
    mix(mirror, [0.06, 0.055, 0.04], bank)
}
