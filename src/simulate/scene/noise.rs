//! Procedural texture: smooth value noise, its fractal sum, and stones, as pure functions of position and seed.

/// A reproducible number in 0..1 for an integer position, by the 64-bit mixing of Steele, Lea and Flood (2014).
pub fn hash(ix: i64, iy: i64, seed: u64) -> f64 {
    let mut z = (ix as u64)
        .wrapping_mul(0x9E37_79B9_7F4A_7C15)
        .wrapping_add((iy as u64).wrapping_mul(0xC2B2_AE3D_27D4_EB4F))
        .wrapping_add(seed.wrapping_mul(0x1656_67B1_9E37_79F9));
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^= z >> 31;
    (z >> 11) as f64 / (1u64 << 53) as f64
}

/// Smooth noise of feature size 1, -1..=1.
pub fn value(x: f64, y: f64, seed: u64) -> f64 {
    let (fx, fy) = (x.floor(), y.floor());
    let fade = |t: f64| t * t * t * (t * (t * 6.0 - 15.0) + 10.0);
    let (u, v) = (fade(x - fx), fade(y - fy));
    let at = |dx: i64, dy: i64| hash(fx as i64 + dx, fy as i64 + dy, seed);
    let upper = at(0, 0) + (at(1, 0) - at(0, 0)) * u;
    let lower = at(0, 1) + (at(1, 1) - at(0, 1)) * u;
    2.0 * (upper + (lower - upper) * v) - 1.0
}

/// Fractal sum of `octaves` layers, each twice as fine and half as strong; about -1..=1.
pub fn fractal(x: f64, y: f64, octaves: u32, seed: u64) -> f64 {
    let (mut sum, mut strength, mut scale, mut total) = (0.0, 1.0, 1.0, 0.0);
    for octave in 0..octaves {
        // The layers are rotated so that their grids do not show.
        let (tx, ty) = (0.8 * x - 0.6 * y, 0.6 * x + 0.8 * y);
        let (px, py) = if octave % 2 == 0 { (x, y) } else { (tx, ty) };
        sum += strength * value(px * scale, py * scale, seed + u64::from(octave));
        total += strength;
        strength *= 0.5;
        scale *= 2.03;
    }
    sum / total.max(1e-9)
}

/// Stones of size 1: distance to the nearest joint (>= 0), and a number in 0..1 for the stone.
pub fn stones(x: f64, y: f64, seed: u64) -> (f64, f64) {
    let (fx, fy) = (x.floor() as i64, y.floor() as i64);
    let (mut first, mut second, mut name) = (f64::MAX, f64::MAX, 0.0);
    for dy in -1..=1 {
        for dx in -1..=1 {
            let (cx, cy) = (fx + dx, fy + dy);
            let px = cx as f64 + 0.15 + 0.7 * hash(cx, cy, seed);
            let py = cy as f64 + 0.15 + 0.7 * hash(cx, cy, seed + 1);
            let distance = ((px - x).powi(2) + (py - y).powi(2)).sqrt();
            if distance < first {
                (second, first) = (first, distance);
                name = hash(cx, cy, seed + 2);
            } else if distance < second {
                second = distance;
            }
        }
    }
    (second - first, name)
}

/// 0 below `low`, 1 above `high`, smooth in between.
pub fn step(low: f64, high: f64, x: f64) -> f64 {
    let t = ((x - low) / (high - low)).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}
