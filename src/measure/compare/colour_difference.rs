//! The CIEDE2000 colour difference (ISO/CIE 11664-6), after Sharma, Wu and Dalal (2005).

/// A colour in CIE 1976 L*a*b*: lightness 0..=100, then a* and b*.
pub type Lab = [f64; 3];

/// CIEDE2000 colour difference with all parametric factors 1: 0 for equal colours, about 1 for a just noticeable difference
/// under the reference conditions. Equation numbers in the code are those of Sharma, Wu and Dalal (2005).
pub fn ciede2000(first: Lab, second: Lab) -> f64 {
    let ((l1, c1, h1), (l2, c2, h2)) = polar(first, second);
    let (dl, dc) = (l2 - l1, c2 - c1); // (8), (9)
    let dh_angle = hue_difference(c1 * c2, h1, h2); // (10)
    let dh = 2.0 * (c1 * c2).sqrt() * (dh_angle / 2.0).to_radians().sin(); // (11)
    let (l, c) = ((l1 + l2) / 2.0, (c1 + c2) / 2.0); // (12), (13)
    let h = mean_hue(c1 * c2, h1, h2); // (14)
    let cos = |degrees: f64| degrees.to_radians().cos();
    let t = 1.0 - 0.17 * cos(h - 30.0) + 0.24 * cos(2.0 * h) + 0.32 * cos(3.0 * h + 6.0)
        - 0.20 * cos(4.0 * h - 63.0); // (15)
    let turn = 30.0 * (-((h - 275.0) / 25.0).powi(2)).exp(); // (16)
    let rc = 2.0 * seventh(c); // (17)
    let sl = 1.0 + 0.015 * (l - 50.0).powi(2) / (20.0 + (l - 50.0).powi(2)).sqrt(); // (18)
    let (sc, sh) = (1.0 + 0.045 * c, 1.0 + 0.015 * c * t); // (19), (20)
    let rt = -(2.0 * turn).to_radians().sin() * rc; // (21)
    let (x, y, z) = (dl / sl, dc / sc, dh / sh);
    (x * x + y * y + z * z + rt * y * z).max(0.0).sqrt() // (22)
}

/// sqrt(c^7 / (c^7 + 25^7)).
fn seventh(chroma: f64) -> f64 {
    let power = chroma.powi(7);
    (power / (power + 25f64.powi(7))).sqrt()
}

/// Lightness, chroma and hue (degrees) of both colours, with the common correction of a*, equations (2) to (7).
fn polar(first: Lab, second: Lab) -> ((f64, f64, f64), (f64, f64, f64)) {
    let mean = (first[1].hypot(first[2]) + second[1].hypot(second[2])) / 2.0;
    let stretch = 1.0 + 0.5 * (1.0 - seventh(mean));
    let one = |[l, a, b]: Lab| {
        let a = a * stretch;
        let hue = b.atan2(a).to_degrees().rem_euclid(360.0);
        (l, a.hypot(b), if a == 0.0 && b == 0.0 { 0.0 } else { hue })
    };
    (one(first), one(second))
}

fn hue_difference(chroma_product: f64, h1: f64, h2: f64) -> f64 {
    match h2 - h1 {
        _ if chroma_product == 0.0 => 0.0,
        d if d > 180.0 => d - 360.0,
        d if d < -180.0 => d + 360.0,
        d => d,
    }
}

fn mean_hue(chroma_product: f64, h1: f64, h2: f64) -> f64 {
    let sum = h1 + h2;
    match (h1 - h2).abs() {
        _ if chroma_product == 0.0 => sum,
        d if d <= 180.0 => sum / 2.0,
        _ if sum < 360.0 => (sum + 360.0) / 2.0,
        _ => (sum - 360.0) / 2.0,
    }
}
