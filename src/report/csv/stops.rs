//! stops.csv: a row per picture and SNR.
use super::{BRACKET, KIND, Measured, PICTURE, bounded, measured, number, optional, written};
use stopspan_core::Error;
use stopspan_core::results::{Limit, Report, UsableStops};

/// Columns of stops.csv in order: name and meaning. A cell without a value is empty.
pub const STOP_COLUMNS: [(&str, &str); 10] = [
    BRACKET,
    PICTURE,
    KIND,
    (
        "linear_light",
        "how levels were made linear: bracket, saved, wedge or linear",
    ),
    (
        "snr",
        "SNR of one pixel, scene-referred, down to which the range goes",
    ),
    (
        "stops",
        "range from clipping down to that SNR, stops; empty for a lower bound, and where the SNR is never reached",
    ),
    (
        "low",
        "lower end of the 95 % interval, stops; of a lower bound the bound itself",
    ),
    (
        "high",
        "upper end of the 95 % interval, stops; empty for a lower bound: it is open above",
    ),
    (
        "is_lower_bound",
        "true if the wedge ends before the range does: low is all that is known",
    ),
    (
        "limited_by",
        "noise, clipping (black floor), file, wedge, glare or compression",
    ),
];

/// Returns stops.csv (RFC 4180): a header row, then a row per picture and SNR with the columns [`STOP_COLUMNS`].
///
/// # Errors
/// [`Error::Output`] if the rows cannot be written.
pub fn stops(report: &Report) -> Result<String, Error> {
    let pictures = measured(report);
    let rows = pictures.iter().flat_map(|of| {
        let ranges = of.picture.usable_stops.iter();
        ranges.map(move |usable| row(of, usable))
    });
    written("stops.csv", &STOP_COLUMNS.map(|(name, _)| name), rows)
}

fn row(of: &Measured, usable: &UsableStops) -> Vec<String> {
    let mut row = of.names();
    row.push(number(usable.snr));
    let range = bounded(usable);
    row.extend([range.stops, range.low, range.high].map(optional));
    row.push(range.is_lower_bound.to_string());
    row.push(limit_name(usable.limited_by).to_owned());
    row
}

/// Name of a limit, as in report.json.
pub(super) fn limit_name(limit: Limit) -> &'static str {
    match limit {
        Limit::Noise => "noise",
        Limit::Clipping => "clipping",
        Limit::File { .. } => "file",
        Limit::Wedge => "wedge",
        Limit::Glare => "glare",
        Limit::Compression => "compression",
    }
}
