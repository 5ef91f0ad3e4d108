//! cameras.csv: a row per camera.
use super::{optional, text, written};
use stopspan_core::Error;
use stopspan_core::results::{CameraRow, Report, UsableStops};

/// Columns of cameras.csv in order: name and meaning. A cell without a value is empty. Ranges are in stops, intervals are 95 %
/// intervals.
pub const CAMERA_COLUMNS: [(&str, &str); 29] = [
    ("camera", "camera as the metadata name it"),
    ("bracket", "name of the bracket"),
    ("time_s", "exposure time of the reference frame, s"),
    ("f_number", "its f-number"),
    ("iso", "its ISO speed"),
    ("steps", "steps on the wedge"),
    (
        "clip_above_white",
        "clip point of the reference frame, stops above the lightest step",
    ),
    (
        "rank_stops",
        "rank by the merge's range down to SNR 1; equal ranks are a tie",
    ),
    (
        "rank_levels",
        "rank by the steps the merge tells apart; equal ranks are a tie",
    ),
    ("single_file", "the best single frame"),
    ("single_levels", "steps it tells apart by noise"),
    ("single_stops1", "its range down to SNR 1"),
    ("single_stops1_low95", "lower end of the interval"),
    ("single_stops1_high95", "upper end of the interval"),
    ("single_stops10", "its range down to SNR 10"),
    ("single_stops10_low95", "lower end of the interval"),
    ("single_stops10_high95", "upper end of the interval"),
    ("camera_hdr_file", "the camera's own HDR picture"),
    ("camera_hdr_levels", "steps it tells apart by noise"),
    ("camera_hdr_stops1", "its range down to SNR 1"),
    ("camera_hdr_stops1_low95", "lower end of the interval"),
    ("camera_hdr_stops1_high95", "upper end of the interval"),
    ("merge_levels", "steps the merge tells apart by noise"),
    ("merge_stops1", "its range down to SNR 1"),
    ("merge_stops1_low95", "lower end of the interval"),
    ("merge_stops1_high95", "upper end of the interval"),
    ("merge_stops10", "its range down to SNR 10"),
    ("merge_stops10_low95", "lower end of the interval"),
    ("merge_stops10_high95", "upper end of the interval"),
];

/// Returns cameras.csv (RFC 4180): a header row, then a row per bracket with the columns [`CAMERA_COLUMNS`], in the order of
/// [`CameraComparison::rows`](stopspan_core::results::CameraComparison::rows). `None` where the report compares no cameras.
///
/// # Errors
/// [`Error::Output`] if the rows cannot be written.
pub fn cameras(report: &Report) -> Result<Option<String>, Error> {
    let Some(cameras) = &report.cameras else {
        return Ok(None);
    };
    let heads = CAMERA_COLUMNS.map(|(name, _)| name);
    written("cameras.csv", &heads, cameras.rows.iter().map(camera)).map(Some)
}

fn camera(row: &CameraRow) -> Vec<String> {
    let count = |n: Option<usize>| n.map_or_else(String::new, |n| n.to_string());
    let range = |usable: Option<UsableStops>| {
        let of = |get: fn(&UsableStops) -> Option<f64>| optional(usable.as_ref().and_then(get));
        [of(|u| u.stops), of(|u| u.low95), of(|u| u.high95)]
    };
    let settings = &row.settings;
    let mut out = vec![
        text(&row.camera),
        text(&row.bracket),
        optional(settings.time.map(|t| t.0)),
        optional(settings.aperture.map(|n| n.0)),
        optional(settings.speed.map(|s| s.0)),
        count(row.steps),
        optional(row.clip_above_white),
        count(row.rank_stops),
        count(row.rank_levels),
        row.single.file.clone().unwrap_or_default(),
        count(row.single.levels),
    ];
    out.extend(range(row.single.snr1));
    out.extend(range(row.single.snr10));
    out.push(row.camera_hdr.file.clone().unwrap_or_default());
    out.push(count(row.camera_hdr.levels));
    out.extend(range(row.camera_hdr.snr1));
    out.push(count(row.merge.levels));
    out.extend(range(row.merge.snr1));
    out.extend(range(row.merge.snr10));
    out
}
