//! Capture times: EXIF date, sub-seconds and offset as seconds on one scale.
use stopspan_core::model::Header;

/// Seconds since 1970-01-01 00:00:00 by the camera's clock (UTC if the offset is stated). `None` if the date is
/// missing, blank or invalid.
pub(crate) fn moment(header: &Header) -> Option<f64> {
    let text = header.captured.as_deref()?.trim();
    let mut numbers = text.split([':', ' ', '-', 'T']).filter(|s| !s.is_empty());
    let mut next = |range: std::ops::RangeInclusive<i64>| -> Option<i64> {
        let number: i64 = numbers.next()?.parse().ok()?;
        range.contains(&number).then_some(number)
    };
    let (year, month, day) = (next(1826..=9999)?, next(1..=12)?, next(1..=31)?);
    let (hour, minute, second) = (next(0..=24)?, next(0..=59)?, next(0..=60)?);
    let whole = days_from_civil(year, month, day) * 86_400 + hour * 3600 + minute * 60 + second;
    Some(
        whole as f64 + fraction(header.sub_seconds.as_deref())
            - offset(header.utc_offset.as_deref()),
    )
}

/// Fraction of a second from SubSecTime digits, which are its decimals: "25" is 0.25 s.
fn fraction(digits: Option<&str>) -> f64 {
    let digits = digits.unwrap_or("").trim();
    if digits.is_empty() || digits.len() > 18 || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return 0.0;
    }
    format!("0.{digits}").parse().unwrap_or(0.0)
}

/// "+01:00" in seconds; 0 if missing or malformed.
fn offset(text: Option<&str>) -> f64 {
    let parse = || {
        let text = text?.trim();
        let sign = match text.as_bytes().first()? {
            b'+' => 1.0,
            b'-' => -1.0,
            _ => return None,
        };
        let (hours, minutes) = text.get(1..)?.split_once(':')?;
        let (hours, minutes): (u8, u8) = (hours.parse().ok()?, minutes.parse().ok()?);
        (hours <= 14 && minutes < 60)
            .then(|| sign * (f64::from(hours) * 3600.0 + f64::from(minutes) * 60.0))
    };
    parse().unwrap_or(0.0)
}

/// Days since 1970-01-01 of a Gregorian date (400-year eras, years from March).
fn days_from_civil(year: i64, month: i64, day: i64) -> i64 {
    let year = if month <= 2 { year - 1 } else { year };
    let era = year.div_euclid(400);
    let year_of_era = year.rem_euclid(400);
    let day_of_year = (153 * ((month + 9) % 12) + 2) / 5 + day - 1;
    let day_of_era = year_of_era * 365 + year_of_era / 4 - year_of_era / 100 + day_of_year;
    era * 146_097 + day_of_era - 719_468
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(captured: &str, sub: Option<&str>, offset: Option<&str>) -> Option<f64> {
        moment(&Header {
            captured: Some(captured.to_owned()),
            sub_seconds: sub.map(str::to_owned),
            utc_offset: offset.map(str::to_owned),
            ..Header::default()
        })
    }

    /// POSIX: 2001-09-09 01:46:40 UTC is 1e9 s; 2000-02-29 is day 11016 (both from memory).
    #[test]
    fn known_moments() {
        assert_eq!(at("2001:09:09 01:46:40", None, None), Some(1e9));
        assert_eq!(
            at("2001:09:09 03:46:40", Some("25"), Some("+02:00")),
            Some(1e9 + 0.25)
        );
        assert_eq!(
            at("2000:02:29 00:00:00", None, None),
            Some(11016.0 * 86400.0)
        );
        assert_eq!(at("1970:01:01 00:00:00", Some("5  "), None), Some(0.5));
    }

    #[test]
    fn impossible_dates_are_none() {
        for text in [
            "",
            "    :  :     :  :  ",
            "0000:00:00 00:00:00",
            "2020:13:01 00:00:00",
            "2020:01:01",
            "today",
        ] {
            assert_eq!(at(text, None, None), None, "{text}");
        }
    }
}
