//! A global tone curve as a table, with the controls of exposure, highlights and shadows.
use super::settings::ToneSettings;
use super::table::Table;

/// Display luminance (0 to the display's peak `peak`, reference white being 1) over the tone of a pixel. `stops`
/// converts a tone to stops of scene light above mid grey, on which the controls act; `operator` converts these to
/// display luminance. The curve never falls.
pub(super) fn curve(
    settings: &ToneSettings,
    peak: f64,
    stops: impl Fn(f64) -> f64,
    operator: impl Fn(f64) -> f64,
) -> Table {
    let mut floor = 0.0f64;
    Table::of(Table::places().enumerate().map(|(i, tone)| {
        let display = operator(adjusted(stops(tone) + settings.exposure_stops, settings));
        // The first entry is that of black.
        if i > 0 && display.is_finite() {
            floor = floor.max(display.clamp(0.0, peak));
        }
        floor
    }))
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
}
