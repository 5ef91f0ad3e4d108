//! Date and time as ISO 8601 text: UTC, whole seconds.
use std::time::{SystemTime, UNIX_EPOCH};

/// Formats a time as "2031-04-05T10:11:12Z". Times before 1970 give 1970-01-01T00:00:00Z.
pub fn utc(moment: SystemTime) -> String {
    let seconds = moment.duration_since(UNIX_EPOCH).map_or(0, |d| d.as_secs());
    let (days, rest) = (seconds / 86_400, seconds % 86_400);
    let (year, month, day) = date(days);
    format!(
        "{year:04}-{month:02}-{day:02}T{:02}:{:02}:{:02}Z",
        rest / 3600,
        rest / 60 % 60,
        rest % 60
    )
}

/// Gregorian year, month and day of the day that is `days` after 1970-01-01. The computation counts years from March, so that
/// the leap day ends a year; 400 years have 146 097 days.
fn date(days: u64) -> (u64, u64, u64) {
    let from_march = days + 719_468; // days from 0000-03-01 to 1970-01-01
    let (era, day) = (from_march / 146_097, from_march % 146_097);
    let year = (day - day / 1460 + day / 36_524 - day / 146_096) / 365;
    let day = day - (365 * year + year / 4 - year / 100);
    let month = (5 * day + 2) / 153;
    let first = (153 * month + 2) / 5;
    let (month_of_year, next) = if month < 10 {
        (month + 3, 0)
    } else {
        (month - 9, 1)
    };
    (400 * era + year + next, month_of_year, day - first + 1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    /// Against `date -u -d @SECONDS +%FT%TZ` of GNU coreutils 9.1.
    #[test]
    fn agrees_with_another_program() {
        for (seconds, text) in [
            (0, "1970-01-01T00:00:00Z"),
            (951_782_399, "2000-02-28T23:59:59Z"),
            (951_782_400, "2000-02-29T00:00:00Z"),
            (951_868_800, "2000-03-01T00:00:00Z"),
            (1_709_210_096, "2024-02-29T12:34:56Z"),
            (4_107_542_400, "2100-03-01T00:00:00Z"),
            (4_102_444_799, "2099-12-31T23:59:59Z"),
        ] {
            assert_eq!(utc(UNIX_EPOCH + Duration::from_secs(seconds)), text);
        }
    }
}
