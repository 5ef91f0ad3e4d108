//! The default look: what the metered frame shows stays as it was, and what merging adds is fitted in.
//!
//! Mid grey is where the reference frame has it (`mid_log`). From there a tone scale that follows the scene's own
//! histogram (`tone_scale`) leads to both ends; detail keeps a contrast of its own (`local_laplacian`), as far as the map's
//! uncertainty allows (`hold_back`). The ends are soft (`Print`). Constants were chosen on photographed scenes, by eye
//! and by the measurements of `tests/bench/looks.py`. Mean levels stay within two deviations of those of natural pictures
//! (Yeganeh and Wang 2013), which a test holds.
use super::histogram::Histogram;
use super::tone_scale::UNIT;
use stopspan_core::model::ReferenceTones;

/// L* beyond which the dark and the light end are soft.
const SOFT: [f64; 2] = [14.0, 89.0];
/// Distance of the scene's key below and above the reference frame's mid grey, stops, up to which the frame is taken to
/// be exposed as it was meant. A scene low in key is more often meant than one that is light all over.
const MEANT: [f64; 2] = [3.1, 2.2];
/// Share of what is beyond [`MEANT`] that mid grey is drawn towards the key.
const FOLLOWED: f64 = 0.8;
/// Contrast above mid grey on a display with headroom.
pub(super) const BRIGHT_CONTRAST: f64 = 1.0;
/// Shares of the scene that count neither as key below nor above.
const KEY_SHARES: [f64; 2] = [0.02, 0.98];
/// Share of the distance between geometric and arithmetic mean, beyond one stop, that belongs to the key: a dark scene with
/// lamps in it is a dark scene.
const LAMPS: f64 = 0.2;

/// Display luminance of mid grey, L* 50.
pub(super) const MID_GREY: f64 = 0.184_186_518_512_444_16;

/// The scale between two at which what `shown` gives, rising with the scale, is mid grey, or the nearest there is.
pub(super) fn scale_for(from: f64, to: f64, shown: impl Fn(f64) -> f64) -> f64 {
    let (mut low, mut high) = (from, to);
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        if shown(middle) < MID_GREY {
            low = middle;
        } else {
            high = middle;
        }
    }
    high
}

/// Log2 luminance to be rendered as mid grey, for a scene with this histogram.
pub(super) fn mid_log(scene: &Histogram, reference: Option<ReferenceTones>) -> f64 {
    let key = key_log(scene);
    let Some(tones) = reference else {
        return key;
    };
    let off = key - tones.mid_stops;
    let beyond = off - off.clamp(-MEANT[0], MEANT[1]);
    tones.mid_stops + FOLLOWED * beyond
}

/// The key of a scene: the mean of its log2 luminance, extremes left out, more where much of its light is in lamps.
fn key_log(scene: &Histogram) -> f64 {
    let [low, high] = KEY_SHARES.map(|share| scene.quantile(share));
    let mut sums = [0.0, 0.0, 0.0];
    for (log, count) in scene.between(low, high) {
        sums[0] += count;
        sums[1] += count * log;
        sums[2] += count * log.exp2();
    }
    if sums[0] == 0.0 {
        return 0.0;
    }
    let mean = sums[1] / sums[0];
    let light = (sums[2] / sums[0]).log2();
    mean + LAMPS * (light - mean - 1.0).max(0.0)
}

/// The print: how tones, in [`UNIT`]s from L* 50, end softly, and what a stop of exposure is to them.
pub(super) struct Print;

impl Print {
    /// Stops above mid grey of a tone: a print that is a logistic curve of stops, with a slope of 17.3 L* a stop at mid
    /// grey, shows it so.
    pub fn stops(tone: f64) -> f64 {
        let share = soft(50.0 + UNIT * tone) / 100.0;
        (share / (1.0 - share)).log2()
    }

    /// Display luminance of a tone that lies so many stops above mid grey: the inverse of [`Print::stops`].
    pub fn luminance(stops: f64) -> f64 {
        luminance(100.0 / (1.0 + (-stops).exp2()))
    }
}

/// L* within 0..=100, straight between [`SOFT`] ends.
fn soft(lightness: f64) -> f64 {
    let [dark, light] = SOFT;
    let room = 100.0 - light;
    let held = match lightness {
        l if l > light => light + room * (1.0 - (-(l - light) / room).exp()),
        l if l < dark => dark * ((l - dark) / dark).exp(),
        l => l,
    };
    held.clamp(1e-3, 100.0 - 1e-3)
}

/// The tone, in [`UNIT`]s from L* 50, whose soft end is this L* above [`SOFT`].
pub(super) fn tone_of(lightness: f64) -> f64 {
    let light = SOFT[1];
    let room = 100.0 - light;
    let straight = light + room * (room / (100.0 - lightness)).ln();
    (straight - 50.0) / UNIT
}

/// Luminance of a CIE lightness L*.
fn luminance(lightness: f64) -> f64 {
    if lightness > 8.0 {
        ((lightness + 16.0) / 116.0).powi(3)
    } else {
        lightness * 27.0 / 24389.0
    }
}
