//! A global tone curve as a table: log2 scene luminance -> display luminance and saturation factor.
use super::scene::REACH;
use super::settings::ToneSettings;

/// Table entries for each stop.
const STEPS: f32 = 64.0;

/// Display luminance (0 to the display's peak, reference white being 1) and saturation factor over log2 luminance of
/// -/+ [`REACH`], interpolated linearly. Luminance is non-decreasing.
pub(super) struct Curve {
    table: Vec<[f32; 2]>,
}

impl Curve {
    /// Tabulates `operator` (log2 luminance -> display luminance) after the exposure, highlights and shadows
    /// controls. `mid` is the log2 luminance of mid grey for these controls, `peak` the largest display luminance.
    pub fn new(
        settings: &ToneSettings,
        mid: f64,
        peak: f64,
        operator: impl Fn(f64) -> f64,
    ) -> Self {
        let last = (2.0 * REACH * STEPS) as usize;
        let mut floor = 0.0f64;
        let luminance: Vec<f64> = (0..=last)
            .map(|i| {
                let log = i as f64 / f64::from(STEPS) - f64::from(REACH);
                let asked = adjusted(log + settings.exposure_stops - mid, settings) + mid;
                let display = operator(asked);
                if i > 0 && display.is_finite() {
                    floor = floor.max(display.clamp(0.0, peak));
                }
                floor
            })
            .collect();
        let table = (0..=last)
            .map(|i| {
                let (low, high) = (i.saturating_sub(1), (i + 1).min(last));
                let rise = luminance[high].max(1e-30).log2() - luminance[low].max(1e-30).log2();
                let slope = rise * f64::from(STEPS) / (high - low) as f64;
                let saturation = settings.saturation * saturation_for(slope);
                [luminance[i] as f32, saturation as f32]
            })
            .collect();
        Curve { table }
    }

    /// Display luminance and saturation factor at a log2 luminance.
    #[inline(always)]
    pub fn at(&self, log: f32) -> (f32, f32) {
        let (index, t) = self.locate(log);
        let [a, b] = self.entries(index);
        (a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1]))
    }

    /// Index of the table entry below a log2 luminance, and the fraction 0..=1 towards the next.
    #[inline(always)]
    pub fn locate(&self, log: f32) -> (u32, f32) {
        let position = (log + REACH).clamp(0.0, 2.0 * REACH) * STEPS;
        let index = (position as i32).min((2.0 * REACH * STEPS) as i32 - 1);
        (index as u32, position - index as f32)
    }

    /// A table entry and the next.
    #[inline(always)]
    pub fn entries(&self, index: u32) -> [[f32; 2]; 2] {
        let pair = &self.table[index as usize..][..2];
        [pair[0], pair[1]]
    }
}

/// Stops above mid grey after the highlights and shadows controls. The ramps are wide enough for slopes below 0.8, so
/// the order of tones is preserved.
fn adjusted(stops: f64, settings: &ToneSettings) -> f64 {
    let ramp = |distance: f64, amount: f64, usual: f64| {
        let t = ((distance - 1.0) / usual.max(2.0 * amount.abs())).clamp(0.0, 1.0);
        amount * t * t * (3.0 - 2.0 * t)
    };
    stops + ramp(stops, settings.highlights_stops, 3.0) + ramp(-stops, settings.shadows_stops, 4.0)
}

/// Saturation factor at which colours appear as in the scene where the tone curve has the given slope (log display
/// over log scene luminance): the sigmoid that Mantiuk, Tomaszewska and Heidrich (2009) fitted to observers for their
/// luminance-preserving correction, k1 = 2.3892, k2 = 0.8552 (from memory).
fn saturation_for(slope: f64) -> f64 {
    let c = slope.clamp(0.0, 1.0).powf(0.8552);
    (1.0 + 2.3892) * c / (1.0 + 2.3892 * c)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_control_turns_the_order_of_tones() {
        for highlights in [-3.0, -1.0, 0.0, 2.0, 3.0] {
            for shadows in [-3.0, 0.0, 1.5, 3.0] {
                let settings = ToneSettings {
                    highlights_stops: highlights,
                    shadows_stops: shadows,
                    ..Default::default()
                };
                for i in -2000..2000 {
                    let x = f64::from(i) * 0.01;
                    let rise = adjusted(x + 0.01, &settings) - adjusted(x, &settings);
                    assert!(rise > 0.0015, "{highlights} {shadows} {x}: {rise}");
                }
            }
        }
    }

    #[test]
    fn saturation_is_whole_for_a_straight_curve_and_gone_for_a_flat_one() {
        assert!((saturation_for(1.0) - 1.0).abs() < 1e-12);
        assert_eq!(saturation_for(0.0), 0.0);
    }
}
