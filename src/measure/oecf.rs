//! Curve of a finished picture: the sRGB transfer function (IEC 61966-2-1), or the curve measured against the merge.
use stopspan_core::model::ResponseCurve;
use stopspan_core::results::Patch;

const ENTRIES: usize = 1024;

/// Linear light 0..=1 of an sRGB-encoded level 0..=1 (IEC 61966-2-1:1999).
pub fn srgb_to_linear(level: f64) -> f64 {
    stopspan_core::units::srgb_exposure(level)
}

/// The sRGB transfer function as a response curve. Clip level: code 254 of 255; black floor: code 0.
pub fn srgb_curve() -> ResponseCurve {
    let last = (ENTRIES - 1) as f64;
    ResponseCurve {
        exposure: (0..ENTRIES)
            .map(|i| srgb_to_linear(i as f64 / last))
            .collect(),
        uncertainty_stops: vec![0.0; ENTRIES],
        clip_level: 254.0 / 255.0,
        floor_level: 0.0,
        supported: (0.0, 1.0),
    }
}

/// Opto-electronic conversion function of a finished picture (in the sense of ISO 14524), measured on the wedge: mean code
/// of its patches against the merge's radiance of the same patches, made monotone by pooling adjacent violators. Log
/// radiance is linear in the level between steps. Both lists must contain the same steps. `None` with fewer than four
/// usable steps.
pub fn against_merge(finished: &[Patch], merge: &[Patch]) -> Option<ResponseCurve> {
    let mut points: Vec<(f64, f64)> = finished
        .iter()
        .zip(merge)
        .filter(|(f, m)| f.clipped_share <= 0.01 && m.clipped_share <= 0.01 && m.linear > 0.0)
        .filter_map(|(f, m)| Some((f.code?[1] / 255.0, m.linear.ln())))
        .collect();
    if points.len() < 4 {
        return None;
    }
    points.sort_by(|a, b| a.1.total_cmp(&b.1));
    let knots = rising_knots(&points);
    (knots.len() >= 4).then(|| curve_through(&knots))
}

/// Levels made monotone in log radiance by pooling adjacent violators (Barlow and others 1972); one knot per pool.
fn rising_knots(points: &[(f64, f64)]) -> Vec<(f64, f64)> {
    const APART: f64 = 0.05 / 255.0;
    let mut pools: Vec<(f64, f64, f64)> = Vec::new();
    for &(level, log) in points {
        pools.push((level, log, 1.0));
        while let [.., a, b] = pools[..] {
            if b.0 > a.0 + APART {
                break;
            }
            let n = a.2 + b.2;
            let pooled = ((a.0 * a.2 + b.0 * b.2) / n, (a.1 * a.2 + b.1 * b.2) / n, n);
            pools.truncate(pools.len() - 2);
            pools.push(pooled);
        }
    }
    pools.into_iter().map(|(x, y, _)| (x, y)).collect()
}

fn curve_through(knots: &[(f64, f64)]) -> ResponseCurve {
    let last = (ENTRIES - 1) as f64;
    let mut exposure: Vec<f64> = (0..ENTRIES)
        .map(|i| log_at(knots, i as f64 / last).exp())
        .collect();
    for i in 1..ENTRIES {
        exposure[i] = exposure[i].max(exposure[i - 1] * (1.0 + 1e-9));
    }
    ResponseCurve {
        exposure,
        uncertainty_stops: vec![0.0; ENTRIES],
        clip_level: 254.0 / 255.0,
        floor_level: 0.0,
        supported: (knots[0].0, knots[knots.len() - 1].0),
    }
}

/// Log radiance at a level: linear between knots, extrapolated with the end slopes. These are limited to a power law of
/// exponent 4 through the end knot, so that extrapolation stays bounded.
fn log_at(knots: &[(f64, f64)], level: f64) -> f64 {
    let upper = knots
        .partition_point(|k| k.0 < level)
        .clamp(1, knots.len() - 1);
    let (a, b) = (knots[upper - 1], knots[upper]);
    let slope = (b.1 - a.1) / (b.0 - a.0);
    if level < a.0 {
        return a.1 + slope.min(4.0 / a.0.max(1e-3)) * (level - a.0);
    }
    if level > b.0 {
        return b.1 + slope.min(4.0 / b.0) * (level - b.0);
    }
    a.1 + slope * (level - a.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn srgb_agrees_with_the_standard() {
        // IEC 61966-2-1: the two branches meet near 0.04045; code 118 is 18 % grey within a code (ISO 12232 SOS).
        assert!((srgb_to_linear(0.04045) - 0.003_130_8).abs() < 1e-6);
        assert!((srgb_to_linear(118.0 / 255.0) - 0.18).abs() < 0.002);
        assert!((srgb_to_linear(1.0) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn pools_what_does_not_rise() {
        let knots = rising_knots(&[(0.1, -3.0), (0.3, -2.0), (0.2, -1.0), (0.5, 0.0)]);
        assert_eq!(knots.len(), 3);
        assert!((knots[1].0 - 0.25).abs() < 1e-12 && (knots[1].1 + 1.5).abs() < 1e-12);
        let curve = curve_through(&knots);
        assert!(curve.exposure.windows(2).all(|w| w[1] > w[0]));
        assert!((curve.exposure_at(0.25).ln() + 1.5).abs() < 1e-3);
    }
}
