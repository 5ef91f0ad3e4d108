//! Numbers as text, the same on every machine: fixed decimals, significant digits, stops with interval, seconds, bytes.
use stopspan_core::results::{Limit, UsableStops};
use stopspan_core::units::ExposureSettings;

/// Formats a number with `digits` decimals; "-" if it is not finite. Zero has no sign.
pub fn decimal(value: f64, digits: usize) -> String {
    if !value.is_finite() {
        return "-".to_owned();
    }
    let text = format!("{value:.digits$}");
    let zero = text.chars().all(|c| matches!(c, '-' | '0' | '.'));
    if zero {
        text.trim_start_matches('-').to_owned()
    } else {
        text
    }
}

/// Formats a number with `digits` significant digits or all digits before the decimal point, without exponent from 0.001 to a
/// million; "-" if it is not finite.
pub fn significant(value: f64, digits: usize) -> String {
    if !value.is_finite() {
        return "-".to_owned();
    }
    if value == 0.0 {
        return "0".to_owned();
    }
    let magnitude = value.abs().log10().floor() as i32;
    if !(-3..6).contains(&magnitude) {
        return format!("{value:.*e}", digits.saturating_sub(1));
    }
    let decimals = (digits as i32 - 1 - magnitude).max(0) as usize;
    decimal(value, decimals)
}

/// Formats a share, 0..=1, in per cent: "0 %", "0.3 %", "12 %"; "under 0.01 %" for a smaller share that is not 0.
pub fn percent(share: f64) -> String {
    if !share.is_finite() {
        return "-".to_owned();
    }
    let value = share * 100.0;
    if value > 0.0 && value < 0.01 {
        return "under 0.01 %".to_owned();
    }
    let digits = match value.abs() {
        v if v == 0.0 || v >= 10.0 => 0,
        v if v >= 0.1 => 1,
        _ => 2,
    };
    format!("{} %", decimal(value, digits))
}

/// Formats a range in stops with one decimal, with "at least" if the wedge ends first; `None` without a range.
pub fn stops(usable: &UsableStops) -> Option<String> {
    let value = decimal(usable.stops.filter(|s| s.is_finite())?, 1);
    Some(if usable.limited_by == Limit::Wedge {
        format!("at least {value}")
    } else {
        value
    })
}

/// Formats a range in stops with its 95 % interval: "9.83 (9.75-9.91)", with ">=" before it if the wedge ends first; "-" without a
/// range.
pub fn stops_interval(usable: &UsableStops) -> String {
    let Some(value) = usable.stops.filter(|s| s.is_finite()) else {
        return "-".to_owned();
    };
    let bound = if usable.limited_by == Limit::Wedge {
        ">="
    } else {
        ""
    };
    match (usable.low95, usable.high95) {
        (Some(low), Some(high)) if low.is_finite() && high.is_finite() => {
            let [value, low, high] = [value, low, high].map(|v| decimal(v, 2));
            format!("{bound}{value} ({low}-{high})")
        }
        _ => format!("{bound}{}", decimal(value, 2)),
    }
}

/// Replaces the hyphens of intervals by en dashes, and ">=" by the sign for it, where text is not limited to ASCII.
pub(crate) fn typeset(text: &str) -> String {
    text.replace('-', "\u{2013}").replace(">=", "\u{2265} ")
}

/// Formats an exposure time as "1/64 s" (nearest whole denominator, below 0.3 s), "0.5 s", "2 s".
pub fn seconds(time: f64) -> String {
    if !time.is_finite() || time <= 0.0 {
        return "-".to_owned();
    }
    if time < 0.3 {
        let denominator = 1.0 / time;
        let digits = usize::from((denominator - denominator.round()).abs() > 0.05);
        return format!("1/{} s", decimal(denominator, digits));
    }
    let text = significant(time, 3);
    let text = if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.')
    } else {
        &text
    };
    format!("{text} s")
}

/// Formats exposure settings as "1/50 s, f/4.0, ISO 100"; what is unknown is left out.
pub fn settings_words(settings: &ExposureSettings) -> String {
    let time = settings.time.map(|t| seconds(t.0));
    let aperture = settings.aperture.map(|n| format!("f/{}", decimal(n.0, 1)));
    let speed = settings.speed.map(|s| format!("ISO {}", decimal(s.0, 0)));
    let parts: Vec<String> = [time, aperture, speed].into_iter().flatten().collect();
    parts.join(", ")
}

/// Formats a length in bytes with a decimal prefix: "512 B", "4.2 MB".
pub fn bytes(length: u64) -> String {
    const UNITS: [&str; 4] = ["B", "kB", "MB", "GB"];
    let mut value = length as f64;
    let mut unit = 0;
    while value >= 1000.0 && unit + 1 < UNITS.len() {
        value /= 1000.0;
        unit += 1;
    }
    let digits = usize::from(unit > 0 && value < 100.0);
    format!("{} {}", decimal(value, digits), UNITS[unit])
}

/// A number with the singular or plural of a noun: "1 frame", "3 frames".
pub fn count(number: usize, one: &str, many: &str) -> String {
    format!("{number} {}", if number == 1 { one } else { many })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimals_never_show_a_negative_zero_or_a_value_that_is_none() {
        assert_eq!(decimal(-0.004, 2), "0.00");
        assert_eq!(decimal(-0.006, 2), "-0.01");
        assert_eq!(decimal(f64::NAN, 2), "-");
        assert_eq!(decimal(f64::INFINITY, 2), "-");
    }

    #[test]
    fn significant_digits() {
        assert_eq!(significant(1234.5, 3), "1234");
        assert_eq!(significant(12.345, 3), "12.3");
        assert_eq!(significant(0.012345, 3), "0.0123");
        assert_eq!(significant(1.5e-7, 2), "1.5e-7");
        assert_eq!(significant(0.0, 3), "0");
    }

    #[test]
    fn times_as_photographers_write_them() {
        assert_eq!(seconds(1.0 / 64.0), "1/64 s");
        assert_eq!(seconds(1.0 / 80.63), "1/80.6 s");
        assert_eq!(seconds(0.5), "0.5 s");
        assert_eq!(seconds(2.0), "2 s");
        assert_eq!(seconds(120.0), "120 s");
        assert_eq!(seconds(0.0), "-");
    }

    #[test]
    fn shares_and_bytes() {
        assert_eq!(percent(0.0), "0 %");
        assert_eq!(percent(0.00001), "under 0.01 %");
        assert_eq!(percent(0.0034), "0.3 %");
        assert_eq!(percent(0.123), "12 %");
        assert_eq!(bytes(999), "999 B");
        assert_eq!(bytes(4_200_000), "4.2 MB");
    }

    #[test]
    fn a_range_that_ends_with_the_wedge_is_a_lower_bound() {
        let mut usable = UsableStops {
            snr: 1.0,
            stops: Some(9.829),
            low95: Some(9.754),
            high95: Some(9.906),
            limited_by: Limit::Noise,
            seen_stops: None,
            normalised: None,
        };
        assert_eq!(stops_interval(&usable), "9.83 (9.75-9.91)");
        usable.limited_by = Limit::Wedge;
        assert_eq!(stops_interval(&usable), ">=9.83 (9.75-9.91)");
        assert_eq!(stops(&usable).as_deref(), Some("at least 9.8"));
        usable.stops = None;
        assert_eq!(stops(&usable), None);
        assert_eq!(stops_interval(&usable), "-");
    }
}
