//! Foreground of the valley: a meadow, a stone hut with a dark doorway, trees.
use super::noise::{fractal, hash, step, stones, value};
use super::room::Colour;
use super::valley::{mix, scale};

/// Foreground at (u, v), u from 0 to 4/3; `None` where the view is open.
pub fn near(u: f64, v: f64) -> Option<Colour> {
    tree(u, v).or_else(|| hut(u, v)).or_else(|| meadow(u, v))
}

/// Upper edge of the meadow.
fn bank(u: f64) -> f64 {
    0.905 - 0.115 * step(0.35, 1.05, u) - 0.045 * step(0.45, 0.0, u)
        + 0.010 * fractal(u * 7.0, 0.0, 4, 601)
}

/// Grass, lit low from the right, with flowers and a path to the door.
fn meadow(u: f64, v: f64) -> Option<Colour> {
    let blades = 0.010 * value(u * 150.0, 0.0, 611).abs() + 0.004 * value(u * 420.0, 1.0, 612);
    let top = bank(u) - blades;
    if v < top {
        return None;
    }
    // Flat ground in perspective: (across, away) are its own coordinates.
    let away = 0.36 / (v - 0.60);
    let across = (u - 0.667) * away;
    let tuft = fractal(across * 34.0, away * 30.0, 5, 621);
    let blade = fractal(u * 300.0, v * 95.0, 3, 631);
    let light = (0.80 + 0.75 * tuft + 0.55 * blade).clamp(0.08, 2.2);
    let green = mix(
        [0.060, 0.095, 0.020],
        [0.150, 0.155, 0.045],
        0.5 + 0.5 * fractal(u * 5.0, v * 9.0, 3, 641),
    );
    let path_centre = 0.985 - 0.75 * (v - 0.80).max(0.0) + 0.02 * fractal(v * 14.0, 0.0, 2, 651);
    let path = step(
        1.0,
        0.55,
        (u - path_centre).abs() / (0.030 + 0.16 * (v - 0.80).max(0.0)) + 0.25 * tuft,
    );
    let earth = scale(
        [0.165, 0.125, 0.085],
        1.0 + 0.4 * fractal(u * 60.0, v * 90.0, 4, 655),
    );
    let ground = mix(scale(green, light), earth, 0.85 * path);
    let cell = ((across * 90.0).floor() as i64, (away * 60.0).floor() as i64);
    let flower = hash(cell.0, cell.1, 661) > 0.94
        && value(across * 170.0, away * 150.0, 671) > 0.3
        && path < 0.2;
    // The hut's shadow falls to the left.
    let shadow = hut_shadow(u, v);
    let lit = if flower {
        mix(ground, [0.62, 0.55, 0.30], 0.8)
    } else {
        ground
    };
    Some(scale(lit, 1.0 - 0.72 * shadow))
}

fn hut_shadow(u: f64, v: f64) -> f64 {
    let slant = u + 1.6 * (v - 0.835);
    step(0.60, 0.66, slant) * step(0.905, 0.885, u) * step(0.80, 0.812, v) * step(0.885, 0.865, v)
}

/// The hut: front wall in half shade with doorway and window, roof of stone slabs, sunlit gable on the right.
fn hut(u: f64, v: f64) -> Option<Colour> {
    let (left, right, foot, eaves) = (0.885, 1.135, 0.835, 0.655);
    roof(u, v).or_else(|| gable(u, v)).or_else(|| {
        let foot_line = foot + 0.003 * value(u * 60.0, 0.0, 701);
        if u < left || u > right || v < eaves || v > foot_line {
            return None;
        }
        Some(opening(u, v).unwrap_or_else(|| scale(wall(u, v), under_eaves(v, eaves))))
    })
}

fn under_eaves(v: f64, eaves: f64) -> f64 {
    0.30 + 0.70 * step(0.004, 0.030, v - eaves)
}

/// Dry stone in half shade.
fn wall(u: f64, v: f64) -> Colour {
    let (joint, name) = stones(u * 52.0, v * 88.0, 711);
    let face = 0.75 + 0.5 * name + 0.3 * fractal(u * 160.0, v * 160.0, 4, 713);
    let warm = mix(
        [0.105, 0.098, 0.090],
        [0.140, 0.118, 0.090],
        hash((name * 1e6) as i64, 0, 715),
    );
    scale(warm, face * (0.22 + 0.78 * step(0.02, 0.14, joint)))
}

/// Doorway and window, from which almost no light returns.
fn opening(u: f64, v: f64) -> Option<Colour> {
    let (door_left, door_right, lintel) = (0.958, 1.012, 0.715);
    let ragged = 0.0022 * value(u * 30.0, v * 90.0, 721);
    if u + ragged > door_left && u + ragged < door_right && v > lintel + ragged {
        // Inside: floor lit a little near the sill, with a bench and a jug just above black.
        let sill = step(0.800, 0.836, v);
        let inside = 0.0011 + 0.0045 * sill * sill;
        let bench = if (0.786..0.793).contains(&v) && u > 0.975 {
            2.0
        } else {
            1.0
        };
        let jug = if ((u - 0.994) / 0.008).powi(2) + ((v - 0.772) / 0.014).powi(2) < 1.0 {
            2.6
        } else {
            1.0
        };
        return Some(scale([1.0, 0.92, 0.80], inside * bench * jug));
    }
    if (door_left - 0.010..door_right + 0.010).contains(&u) && (lintel - 0.016..lintel).contains(&v)
    {
        return Some(scale(
            [0.085, 0.066, 0.048],
            1.0 + 0.4 * fractal(u * 40.0, v * 300.0, 3, 731),
        ));
    }
    if (1.058..1.092).contains(&u) && (0.715..0.752).contains(&v) {
        let bar = (u - 1.075).abs() < 0.0017 || (v - 0.7335).abs() < 0.0017;
        return Some(if bar {
            [0.045, 0.034, 0.024]
        } else {
            [0.0026, 0.0028, 0.0034]
        });
    }
    None
}

/// Front roof slope of overlapping slabs, and its lit edge.
fn roof(u: f64, v: f64) -> Option<Colour> {
    let (ridge, eaves) = (0.545, 0.662);
    let t = (v - ridge) / (eaves - ridge);
    let (left, right) = (0.935 - 0.070 * t, 1.196 - 0.054 * t);
    if !(0.0..=1.0).contains(&t) || u < left || u > right {
        return None;
    }
    let row = (t * 9.0 + 0.10 * fractal(u * 30.0, 0.0, 3, 741)).floor();
    let along = (u - left) / (right - left) * 13.0 + 0.5 * hash(row as i64, 0, 743);
    let name = hash(row as i64, along.floor() as i64, 745);
    let seam = step(
        0.0,
        0.06,
        (along - along.floor()).min(1.0 - along + along.floor()),
    );
    let lip = step(0.0, 0.22, t * 9.0 - row);
    let moss = step(0.15, 0.5, fractal(u * 22.0, v * 30.0, 4, 747));
    let slab = scale(
        [0.150, 0.150, 0.155],
        0.65 + 0.7 * name + 0.25 * fractal(u * 120.0, v * 120.0, 3, 749),
    );
    let grown = mix(slab, [0.075, 0.090, 0.030], 0.6 * moss);
    Some(scale(
        grown,
        (0.35 + 0.65 * lip) * (0.45 + 0.55 * seam) * 0.95,
    ))
}

/// The right-hand gable in full sun.
fn gable(u: f64, v: f64) -> Option<Colour> {
    let (left, right, foot) = (1.135, 1.245, 0.842);
    let middle = 1.192;
    let slope = if u < middle {
        (middle - u) * 2.0
    } else {
        (u - middle) * 2.0
    };
    let base = foot - 0.10 * (u - left);
    if !(left..=right).contains(&u) || v < 0.552 + slope || v > base {
        return None;
    }
    let edge = step(0.0, 0.010, v - 0.552 - slope);
    Some(scale(wall(u + 0.4, v), 3.6 * (0.45 + 0.55 * edge)))
}

/// Trees: two tall ones at the left, bushes at the right border.
fn tree(u: f64, v: f64) -> Option<Colour> {
    let crowns = [
        Crown::new([0.155, 0.660], [0.058, 0.235], 801),
        Crown::new([0.245, 0.735], [0.042, 0.150], 811),
        Crown::new([0.065, 0.770], [0.060, 0.120], 821),
        Crown::new([1.290, 0.800], [0.075, 0.085], 831),
    ];
    for crown in crowns {
        if let Some(colour) = crown.colour(u, v) {
            return Some(colour);
        }
    }
    let trunks = [(0.155, 0.0075), (0.245, 0.006)];
    trunks
        .iter()
        .any(|(x, half)| {
            (u - x - 0.004 * value(v * 20.0, *x, 841)).abs() < *half && (0.80..0.935).contains(&v)
        })
        .then(|| {
            scale(
                [0.030, 0.024, 0.017],
                1.0 + 0.6 * fractal(u * 300.0, v * 40.0, 3, 843),
            )
        })
}

/// One crown of leaves.
struct Crown {
    centre: [f64; 2],
    /// Half width and half height.
    half: [f64; 2],
    seed: u64,
}

impl Crown {
    fn new(centre: [f64; 2], half: [f64; 2], seed: u64) -> Self {
        Crown { centre, half, seed }
    }

    /// Clumps lit from the upper right, with holes at the rim; `None` outside.
    fn colour(&self, u: f64, v: f64) -> Option<Colour> {
        let seed = self.seed;
        let (x, y) = (
            (u - self.centre[0]) / self.half[0],
            (v - self.centre[1]) / self.half[1],
        );
        let radius = (x * x + y * y).sqrt();
        if radius > 1.5 {
            return None;
        }
        let clump = fractal(u * 26.0, v * 26.0, 4, seed);
        let leaf = fractal(u * 150.0, v * 150.0, 3, seed + 5);
        // Poplars taper towards the top.
        let taper = radius + 0.18 * (-y).max(0.0) * x.abs();
        if taper + 0.22 * clump + 0.24 * leaf > 0.92 {
            return None;
        }
        let side = (0.42 * x - 0.28 * y + 0.95 * clump + 0.45 * leaf + 0.35).clamp(0.02, 1.5);
        Some(mix(
            [0.0075, 0.0115, 0.0045],
            [0.140, 0.150, 0.035],
            side * side * 0.75,
        ))
    }
}

/// Cover (0..1) of woods on the slopes.
pub fn copse(u: f64, v: f64, depth: f64, side: f64) -> f64 {
    let patch = fractal(u * 5.5 + side * 3.0, v * 9.0, 3, 861);
    let leaf = fractal(u * 75.0, v * 90.0, 3, 863);
    let border = step(0.10, 0.0, depth) * 0.35 + step(0.90, 1.0, depth) * 0.30;
    step(0.30, 0.40, patch + 0.22 * leaf + border)
}
