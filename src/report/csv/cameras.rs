//! cameras.csv: a row per camera.
use super::stops::limit_name;
use super::{bounded, optional, text, written};
use stopspan_core::Error;
use stopspan_core::results::{
    CameraRow, LevelsAndRange, RankedFigure, RankedPicture, Report, UsableStops,
};

/// First columns of cameras.csv in order: name and meaning.
const HEAD: [(&str, &str); 9] = [
    ("camera", "camera as the metadata name it"),
    (
        "bracket",
        "name of the bracket, or of the camera's pictures without one",
    ),
    ("time_s", "exposure time of the default shot, s"),
    ("f_number", "its f-number"),
    ("iso", "its ISO speed"),
    ("steps", "steps on the wedge"),
    (
        "clip_above_white",
        "clip point of the reference frame, stops above the lightest step",
    ),
    (
        "rank_stops",
        "rank by the merge's range down to SNR 1; equal ranks are a tie, empty where it cannot be ranked",
    ),
    ("rank_levels", "the same by the steps the merge resolves"),
];
/// Pictures of a row: beginning of the names of their columns, and what they are.
const PICTURES: [(RankedPicture, &str, &str); 5] = [
    (
        RankedPicture::DefaultShot,
        "default_shot",
        "the default shot",
    ),
    (
        RankedPicture::Single,
        "single",
        "the single frame that keeps most of the scene",
    ),
    (
        RankedPicture::CameraHdr,
        "camera_hdr",
        "the camera's own HDR picture",
    ),
    (RankedPicture::Merge, "merge", "the merge"),
    (
        RankedPicture::Raw,
        "raw",
        "the merge of raw files of the same shots",
    ),
];
/// Columns of a picture: end of the name, and meaning.
const FIGURES: [(&str, &str); 14] = [
    ("file", "file name"),
    ("levels", "steps resolved by noise"),
    (
        "levels_block",
        "steps resolved with the noise of 8x8 means, where fewer",
    ),
    (
        "stops1",
        "range down to SNR 1, stops; empty for a lower bound",
    ),
    (
        "stops1_low95",
        "lower end of its 95 % interval; of a lower bound the bound itself",
    ),
    ("stops1_high95", "upper end; empty for a lower bound"),
    ("stops1_is_lower_bound", "true or false"),
    ("stops1_limited_by", "what ends the range, as in stops.csv"),
    ("stops10", "range down to SNR 10, as down to SNR 1"),
    ("stops10_low95", "lower end"),
    ("stops10_high95", "upper end"),
    ("stops10_is_lower_bound", "true or false"),
    ("stops10_limited_by", "what ends the range"),
    (
        "ranks",
        "lowest and highest rank that the intervals allow, by range down to SNR 1, range down to SNR 10 and steps: 1-1;1-2;1-3",
    ),
];

/// Columns of cameras.csv in order: name and meaning. A cell without a value is empty.
pub fn camera_columns() -> Vec<(String, String)> {
    let head = HEAD.map(|(name, meaning)| (name.to_owned(), meaning.to_owned()));
    let of_pictures = PICTURES.iter().flat_map(|(_, start, what)| {
        FIGURES
            .iter()
            .map(move |(end, meaning)| (format!("{start}_{end}"), format!("{what}: {meaning}")))
    });
    head.into_iter().chain(of_pictures).collect()
}

/// Returns cameras.csv (RFC 4180): a header row, then a row per camera with the columns [`camera_columns`], in the order of
/// [`CameraComparison::rows`](stopspan_core::results::CameraComparison::rows). `None` where the report compares no cameras.
///
/// # Errors
/// [`Error::Output`] if the rows cannot be written.
pub fn cameras(report: &Report) -> Result<Option<String>, Error> {
    let Some(cameras) = &report.cameras else {
        return Ok(None);
    };
    let columns = camera_columns();
    let heads: Vec<&str> = columns.iter().map(|(name, _)| name.as_str()).collect();
    written("cameras.csv", &heads, cameras.rows.iter().map(camera)).map(Some)
}

fn camera(row: &CameraRow) -> Vec<String> {
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
    ];
    for (picture, ..) in PICTURES {
        out.extend(figures(row.figures(picture)));
        out.push(ranks(row, picture));
    }
    out
}

fn count(number: Option<usize>) -> String {
    number.map_or_else(String::new, |n| n.to_string())
}

fn figures(of: &LevelsAndRange) -> Vec<String> {
    let mut out = vec![
        text(of.file.as_deref().unwrap_or_default()),
        count(of.levels),
        count(of.levels_block),
    ];
    out.extend(range(of.snr1.as_ref()));
    out.extend(range(of.snr10.as_ref()));
    out
}

fn range(usable: Option<&UsableStops>) -> [String; 5] {
    let Some(usable) = usable else {
        return std::array::from_fn(|_| String::new());
    };
    let range = bounded(usable);
    [
        optional(range.stops),
        optional(range.low),
        optional(range.high),
        range.is_lower_bound.to_string(),
        limit_name(usable.limited_by).to_owned(),
    ]
}

/// Ranks that the intervals allow, by every figure; empty where no other row has a figure.
fn ranks(row: &CameraRow, picture: RankedPicture) -> String {
    let each = RankedFigure::ALL.map(|figure| {
        let found = row.standing(picture, figure);
        found.map_or_else(String::new, |s| format!("{}-{}", s.best, s.worst))
    });
    match each.iter().all(String::is_empty) {
        true => String::new(),
        false => each.join(";"),
    }
}
