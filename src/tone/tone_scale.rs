//! The tone scale of the default look: log2 luminance -> lightness, steep where the scene has many tones.
//!
//! Slopes follow the scene's histogram, as in the histogram adjustment of Ward Larson, Rushmeier and Piatko (1997), here
//! with its square root, a floor and a maximum at mid grey, and limits either way.
use super::histogram::Histogram;
use super::scene::REACH;
use super::table::Table;

/// L* for each unit of a tone; 0 is L* 50.
pub(super) const UNIT: f64 = 16.0;
/// L* of the scene's dark end, of mid grey and of the light end.
const ENDS: [f64; 3] = [11.0, 50.0, 94.5];
/// L* at most of what the reference frame shows at [`FRAME`]'s black and its dark tone: they are lifted by no more, so that an
/// evening stays one and black things stay black.
const DARK: [f64; 2] = [18.0, 28.0];
/// L* at least of what it shows at [`FRAME`]'s light tone, so that the white of a room with lamps in it stays white.
const LIGHT: f64 = 68.0;
/// Shares of the scene that lie below its dark and its light end.
const SHARES: [f64; 2] = [0.001, 0.999];
/// Stops below mid grey that the dark end lies at most, however dark the darkest.
const DEEPEST: f64 = 11.0;
/// Added to the scene at both ends, stops.
const MARGIN: f64 = 0.25;
/// Stops beyond the frame's dark or light tone from which on what lies there has a slope of its own.
const APART: f64 = 1.0;
/// Width of histogram bins, stops.
const BIN: f64 = 0.05;
/// Standard deviation of the blur of the histogram, stops.
const BLUR: f64 = 0.8;
/// Least and largest slopes below mid grey and above it, L* a stop. Below, the darkest steps of a wedge stay apart.
const SLOPES: [(f64, f64); 2] = [(1.7, 18.0), (1.2, 18.0)];
/// Slope below the dark end, L* a stop.
const BEYOND: f64 = 1.0;
/// Slope, as a share of the steepest, that tones have which are absent from the scene.
const FLOOR: f64 = 0.3;
/// Slope added at mid grey below it and above it, as a share of the steepest.
const BUMP: [f64; 2] = [1.0, 0.3];
/// Standard deviations of what is added below and above mid grey, stops. Wide below, so that a night stays a night.
const BUMP_WIDTHS: [f64; 2] = [2.0, 1.6];

/// L* at which the frame shows what is named its black, its dark tone, mid grey and its light tone.
pub(super) const FRAME: [f64; 4] = [10.0, 25.0, 50.0, 75.0];

/// Lightness over log2 luminance for a scene with this histogram, where the reference frame has the tones of [`FRAME`] at these
/// places; in [`UNIT`]s from L* 50. It rises everywhere.
pub(super) fn tone_scale(scene: &Histogram, [black, dark, mid, light]: [f64; 4]) -> Table {
    let (low, high) = ends(scene, mid);
    let wish = wishes(scene, mid, low, high);
    let slope_at = |log: f64, gain: f64| {
        let (least, most) = SLOPES[usize::from(log > mid)];
        let index = ((log - low) / BIN).round().max(0.0) as usize;
        let wish = wish
            .get(index.min(wish.len() - 1))
            .map_or(0.0, |w| w * gain);
        wish.clamp(least, most)
    };
    // The gain that climbs so far from one place to another.
    let gain_between = |from: f64, to: f64, height: f64| {
        gain_for(height, |gain| integral(from, to, |x| slope_at(x, gain)))
    };
    // The gains on either side of the frame's tone at `place` between two ends: one and the same where its lightness is
    // `fit` to stay as the histogram alone has it.
    let gains =
        |[from, place, to]: [f64; 3], [start, held, end]: [f64; 3], fit: fn(f64, f64) -> bool| {
            let plain = gain_between(from, to, end - start);
            let there = start + integral(from, place, |x| slope_at(x, plain));
            if place - from < APART || to - place < APART || fit(there, held) {
                return [plain, plain];
            }
            [
                gain_between(from, place, held - start),
                gain_between(place, to, end - held),
            ]
        };
    let lifted = |l: f64, most: f64| l <= most;
    let [below, near] = gains([low, dark, mid], [ENDS[0], DARK[1], ENDS[1]], lifted);
    let there = ENDS[0] + integral(low, dark, |x| slope_at(x, below));
    let [deep, toe] = gains([low, black, dark], [ENDS[0], DARK[0], there], lifted);
    let [bright, top] = gains([mid, light, high], [ENDS[1], LIGHT, ENDS[2]], |l, least| {
        l >= least
    });
    let slope = |log: f64| match log {
        log if log < low => BEYOND,
        log if log < black => slope_at(log, deep),
        log if log < dark => slope_at(log, toe),
        log if log < mid => slope_at(log, near),
        log if log < light => slope_at(log.min(high), bright),
        log => slope_at(log.min(high), top),
    };
    let start = integral(-f64::from(REACH), mid, slope);
    let mut sum = -start;
    let mut last = -f64::from(REACH);
    Table::of(Table::places().map(|log| {
        sum += (log - last) * slope(0.5 * (log + last));
        last = log;
        sum / UNIT
    }))
}

/// Log2 luminance of the ends of the scene, two to [`DEEPEST`] stops below `mid` and at least two above.
fn ends(scene: &Histogram, mid: f64) -> (f64, f64) {
    let [low, high] = SHARES.map(|share| scene.quantile(share));
    let reach = f64::from(REACH);
    let low = (low - MARGIN).min(mid - 2.0);
    let high = (high + MARGIN).max(mid + 2.0);
    (low.max(mid - DEEPEST).max(-reach), high.min(reach))
}

/// Slopes wished for between the ends, relative to the steepest, in bins from `low` on.
fn wishes(scene: &Histogram, mid: f64, low: f64, high: f64) -> Vec<f64> {
    let bins = ((high - low) / BIN).ceil() as usize + 1;
    let mut counts = vec![0.0f64; bins];
    for (log, count) in scene.between(low, high) {
        counts[(((log - low) / BIN).round() as usize).min(bins - 1)] += count;
    }
    let reach = (3.0 * BLUR / BIN) as isize;
    let bell = |distance: f64, width: f64| (-0.5 * (distance / width).powi(2)).exp();
    let blurred: Vec<f64> = (0..bins as isize)
        .map(|i| {
            let places = (i - reach).max(0)..(i + reach + 1).min(bins as isize);
            let sum: f64 = places
                .map(|k| counts[k as usize] * bell((k - i) as f64 * BIN, BLUR))
                .sum();
            sum.sqrt()
        })
        .collect();
    let most = blurred.iter().copied().fold(f64::MIN_POSITIVE, f64::max);
    let wish = |(i, v): (usize, &f64)| {
        let distance = low + i as f64 * BIN - mid;
        let side = usize::from(distance > 0.0);
        FLOOR + v / most + BUMP[side] * bell(distance, BUMP_WIDTHS[side])
    };
    blurred.iter().enumerate().map(wish).collect()
}

/// Factor at which `height`, increasing with it, is `wanted`, or as near to it as limits allow.
fn gain_for(wanted: f64, height: impl Fn(f64) -> f64) -> f64 {
    let (mut low, mut high) = (0.0, 1e4);
    for _ in 0..40 {
        let middle = 0.5 * (low + high);
        if height(middle) < wanted {
            low = middle;
        } else {
            high = middle;
        }
    }
    high
}

/// Midpoint rule in steps of about half a bin.
fn integral(from: f64, to: f64, value: impl Fn(f64) -> f64) -> f64 {
    let steps = ((to - from) / (0.5 * BIN)).ceil().max(1.0);
    let step = (to - from) / steps;
    (0..steps as usize)
        .map(|i| value(from + (i as f64 + 0.5) * step) * step)
        .sum()
}
