//! Luminance above reference white: PQ (BT.2100), mapping to a display's peak (BT.2390), extended operators.
use super::paint::Coding;

/// Luminance of reference white: diffuse white and graphics (ITU-R BT.2408), cd/m^2.
pub const REFERENCE_WHITE: f64 = 203.0;
/// Luminance of PQ code 1, cd/m^2.
pub const PQ_PEAK: f64 = 10_000.0;
/// Display luminance of mid grey.
const MID: f64 = 0.18;

// ITU-R BT.2100, table 4
const M1: f64 = 2610.0 / 16384.0;
const M2: f64 = 2523.0 / 4096.0 * 128.0;
const C1: f64 = 3424.0 / 4096.0;
const C2: f64 = 2413.0 / 4096.0 * 32.0;
const C3: f64 = 2392.0 / 4096.0 * 32.0;

/// PQ signal 0..=1 of a luminance, cd/m^2, clamped to 0..=10 000 (inverse EOTF of ITU-R BT.2100).
pub fn pq(luminance: f64) -> f64 {
    unlimited((luminance / PQ_PEAK).clamp(0.0, 1.0))
}

/// The same formula without clamping, for luminance >= 0 relative to [`PQ_PEAK`].
fn unlimited(light: f64) -> f64 {
    let y = light.powf(M1);
    ((C1 + C2 * y) / (1.0 + C3 * y)).powf(M2)
}

/// Luminance, cd/m^2, of a PQ signal 0..=1 (EOTF of ITU-R BT.2100).
pub fn pq_luminance(signal: f64) -> f64 {
    let p = signal.clamp(0.0, 1.0).powf(1.0 / M2);
    PQ_PEAK * ((p - C1).max(0.0) / (C2 - C3 * p)).powf(1.0 / M1)
}

/// Maps a luminance mastered for a peak of `source` to a display with a peak of `target` (all cd/m^2, black 0) as in
/// ITU-R BT.2390, annex 5, in PQ: identity up to a knee, a Hermite spline above. Luminance above `source` is treated
/// as `source`.
pub fn map_to_display(luminance: f64, source: f64, target: f64) -> f64 {
    if target >= source {
        return luminance.min(source);
    }
    let white = pq(source);
    let e = (pq(luminance) / white).min(1.0);
    let peak = pq(target) / white;
    let knee = 1.5 * peak - 0.5;
    if e < knee {
        return luminance;
    }
    let t = (e - knee) / (1.0 - knee);
    let (t2, t3) = (t * t, t * t * t);
    let mapped = (2.0 * t3 - 3.0 * t2 + 1.0) * knee
        + (t3 - 2.0 * t2 + t) * (1.0 - knee)
        + (3.0 * t2 - 2.0 * t3) * peak;
    pq_luminance(mapped * white)
}

/// An operator extended above its mid grey for a display with headroom. Up to mid grey it is the operator itself.
/// Above, display luminance follows the scene with a constant contrast wherever that is lighter than the operator;
/// what exceeds the display's peak is compressed by [`map_to_display`].
pub(super) struct Extended<'a> {
    operator: &'a dyn Fn(f64) -> f64,
    mid: f64,
    contrast: f64,
    source: f64,
    target: f64,
}

impl<'a> Extended<'a> {
    /// `operator` maps log2 luminance to display luminance, increasing. `top` is the largest log2 luminance to be
    /// preserved. `peak` is the largest display luminance, relative to reference white.
    pub fn new(operator: &'a dyn Fn(f64) -> f64, contrast: f64, top: f64, peak: f64) -> Self {
        let (mut low, mut high) = (-64.0, 64.0);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if operator(middle) < MID {
                low = middle;
            } else {
                high = middle;
            }
        }
        let source = MID * (contrast * (top - high)).exp2();
        Extended {
            operator,
            mid: high,
            contrast,
            source: (source * REFERENCE_WHITE).clamp(REFERENCE_WHITE, PQ_PEAK),
            target: (peak * REFERENCE_WHITE).min(PQ_PEAK),
        }
    }

    /// Display luminance, relative to reference white.
    pub fn at(&self, log: f64) -> f64 {
        let plain = (self.operator)(log);
        let carried_on = MID * (self.contrast * (log - self.mid)).exp2();
        let light = if log > self.mid {
            carried_on.max(plain).min(PQ_PEAK / REFERENCE_WHITE)
        } else {
            plain
        };
        map_to_display(light * REFERENCE_WHITE, self.source, self.target) / REFERENCE_WHITE
    }
}

/// Table entries for each factor of two.
const STEPS: u32 = 256;
/// Exponent bits of the first table entry, 2^-40 of reference white, below which the signal is less than half a code.
const FIRST: u32 = 127 - 40;
/// Octaves of the table, which ends at 2^6, above 10 000 cd/m^2.
const OCTAVES: u32 = 46;

/// Table of 16-bit PQ codes for light relative to reference white; within half a code of [`pq`].
pub(super) struct Signal {
    table: Vec<f32>,
}

impl Signal {
    pub fn new() -> Self {
        let entry = |k: u32| {
            let bits = (FIRST << 23) + k * ((1 << 23) / STEPS);
            let light = f64::from(f32::from_bits(bits));
            // not clamped, which avoids a kink between two entries; the code is clamped
            (65535.0 * unlimited(light * REFERENCE_WHITE / PQ_PEAK)) as f32
        };
        Signal {
            table: (0..=OCTAVES * STEPS).map(entry).collect(),
        }
    }
}

/// Light below 0 and NaN give black.
impl Coding for Signal {
    #[inline(always)]
    fn locate(&self, light: f32) -> (u32, f32) {
        let cell = (1 << 23) / STEPS;
        let low = f32::from_bits(FIRST << 23);
        let place = light.max(low).to_bits() - (FIRST << 23);
        let index = (place / cell).min(OCTAVES * STEPS - 1);
        (
            index,
            ((place - index * cell) as f32 / cell as f32).min(1.0),
        )
    }

    #[inline(always)]
    fn entries(&self) -> &[f32] {
        &self.table
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_is_the_signal_within_a_code() {
        let signal = Signal::new();
        for i in 0..200_000 {
            let light = 2f64.powf(f64::from(i) / 200_000.0 * 50.0 - 44.0) as f32;
            let exact = 65535.0 * pq(f64::from(light) * REFERENCE_WHITE);
            let code = f64::from(signal.code(light));
            assert!((code - exact).abs() <= 0.52, "{light}: {code} {exact}");
        }
        assert_eq!(signal.code(f32::NAN), 0);
        assert_eq!(signal.code(-1.0), 0);
        assert_eq!(signal.code(0.0), 0);
        assert_eq!(signal.code(f32::INFINITY), 65535);
    }

    #[test]
    fn an_extension_meets_the_operator_at_mid_grey_and_rises_to_the_peak() {
        let operator = |log: f64| 0.5 * log.exp2() / (1.0 + 0.5 * log.exp2());
        for (contrast, peak) in [(1.0, 4.0), (1.15, 2.0), (1.15, 49.0)] {
            let extended = Extended::new(&operator, contrast, 12.0, peak);
            assert!((operator(extended.mid) - MID).abs() < 1e-9);
            assert!((extended.at(extended.mid) - MID).abs() < 1e-9);
            for k in -200..300 {
                let log = f64::from(k) * 0.1;
                assert!(extended.at(log + 0.1) >= extended.at(log));
                assert!(extended.at(log) <= peak * 1.000_001);
            }
        }
    }
}
