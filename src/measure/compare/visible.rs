//! Range of scene light over which a small step of light visibly changes the lightness of a finished picture.
use super::flat_noise::Single;
use super::tone_curve::Curve;
use crate::levels::lightness;
use crate::oecf::srgb_to_linear;
use stopspan_core::results::{Compared, Difference, Interval, Quantity};

/// Step of light, density: a third of a stop, the finest step of common wedges.
const STEP: f64 = 0.10;
/// Smallest visible difference of L*.
const SEEN: f64 = 1.0;
/// Points evaluated per stop.
const POINTS: f64 = 24.0;

/// Stops of scene light over which 0.10 density changes L* of the picture on an sRGB display (IEC 61966-2-1) by at least 1.
/// For the camera's picture by its tone curve, with an interval from resampled tiles; for the frame with the largest figure
/// by its response. Only light that occurs in the scene counts.
pub fn compare(curve: &Curve, singles: &[Single]) -> Option<Compared> {
    let ends = curve.ends();
    let camera = Interval::of_replicates(
        visible(ends, |s| curve.at(s)),
        &curve.drawn(|at| visible(ends, at)),
    );
    let single = singles
        .iter()
        .map(|s| {
            let level = |stops: f64| s.curve.level_of(stops.exp2() * s.relative_exposure);
            (visible(ends, level), s.file)
        })
        .reduce(|a, b| if b.0 > a.0 { b } else { a });
    let alone = single.map(|s| Interval::without_interval(s.0));
    Some(Compared {
        quantity: Quantity::VisibleStops,
        unit: "stops".to_owned(),
        camera_hdr: Some(camera),
        merge: None,
        single: alone,
        single_file: single.map(|s| s.1.to_owned()),
        against_merge: None,
        against_single: alone.map(|s| {
            // The frame's own response has a negligible uncertainty compared with the camera's curve.
            let ends = camera.low95.zip(camera.high95);
            Difference::from(Interval {
                value: camera.value - s.value,
                low95: ends.map(|e| e.0 - s.value),
                high95: ends.map(|e| e.1 - s.value),
            })
        }),
    })
}

fn visible((low, high): (f64, f64), level: impl Fn(f64) -> f64) -> f64 {
    let half = STEP / std::f64::consts::LOG10_2 / 2.0;
    let shown = |stops: f64| lightness(srgb_to_linear(level(stops).clamp(0.0, 1.0)));
    let count = ((high - low) * POINTS).floor().max(0.0) as usize;
    let seen = (0..count).filter(|i| {
        let stops = low + (*i as f64 + 0.5) / POINTS;
        let (a, b) = ((stops - half).max(low), (stops + half).min(high));
        (shown(b) - shown(a)) * 2.0 * half / (b - a) >= SEEN
    });
    seen.count() as f64 / POINTS
}
