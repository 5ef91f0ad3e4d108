//! How much of the scene's range a finished picture shows: where a small step of light still changes its lightness.
use super::flat_noise::Single;
use super::tone_curve::Curve;
use crate::levels::lightness;
use crate::oecf::srgb_to_linear;
use stopspan_core::results::{Compared, Difference, Interval, Quantity};

/// The step of light, density: a third of a stop, the finest of common wedges.
const STEP: f64 = 0.10;
/// Smallest difference of L* that counts as seen.
const SEEN: f64 = 1.0;
/// Points a stop at which it is asked.
const POINTS: f64 = 24.0;

/// Stops of the scene's range over which 0.10 density changes L* of the picture, shown on an sRGB display
/// (IEC 61966-2-1), by 1 at least: of the camera's picture by its tone curve with the interval of resampled tiles, of the
/// frame that shows most by its response. Only light that the scene holds counts.
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
            // The frame's own response is known far better than the camera's curve.
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
