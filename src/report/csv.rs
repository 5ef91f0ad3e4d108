//! CSV files of a report: levels.csv (a row per picture and step), comparison.csv, cameras.csv.
use stopspan_core::Error;
use stopspan_core::error::OutputProblem;
use stopspan_core::results::CameraRow;
use stopspan_core::results::Compared;
use stopspan_core::results::Report;
use stopspan_core::results::{Pair, Patch, PictureMeasurement, UsableStops};

/// Columns of levels.csv in order: name and meaning. A cell without a value is empty. Columns that begin with `next_` compare
/// the step with the next darker one; they are empty on the last step.
pub const COLUMNS: [(&str, &str); 29] = [
    ("bracket", "name of the bracket"),
    ("picture", "file name"),
    ("kind", "frame, camera-hdr, merge or rendered"),
    ("step", "step number, 1 = lightest"),
    ("density", "nominal density of the step"),
    ("pixels", "pixels measured"),
    ("effective_samples", "independent samples these amount to"),
    ("code_red", "mean red code, 0..255"),
    ("code_green", "mean green code, 0..255"),
    ("code_blue", "mean blue code, 0..255"),
    ("code_deviation", "standard deviation of the green code"),
    ("linear", "mean relative radiance, green"),
    (
        "linear_deviation",
        "standard deviation of one pixel's radiance",
    ),
    (
        "block_deviation",
        "standard deviation of 8x8 block means, times 8",
    ),
    ("snr", "linear / linear_deviation, per pixel"),
    ("clipped_share", "share of pixels at the clip level, 0..1"),
    ("crushed_share", "share of pixels at the black floor, 0..1"),
    (
        "next_separation",
        "difference over root mean square deviation, per pixel, linear",
    ),
    (
        "next_block_separation",
        "the same with the noise of 8x8 block means, which compression spares",
    ),
    ("next_code_difference", "difference of mean green codes"),
    ("next_lightness_difference", "difference of CIE L*"),
    (
        "next_jnd_difference",
        "difference of DICOM PS3.14 JND index",
    ),
    (
        "next_p_value",
        "Welch test on patch means, Holm-corrected, one-sided",
    ),
    ("next_by_noise", "told apart by noise: true or false"),
    (
        "next_by_block",
        "told apart by that separation: true or false",
    ),
    ("next_by_code", "told apart by code: true or false"),
    ("next_by_visual", "told apart by visual: true or false"),
    (
        "next_by_mean",
        "told apart by the patch-mean test: true or false",
    ),
    (
        "next_reason",
        "why they run together: clipped, crushed, noise or order",
    ),
];

/// Returns levels.csv (RFC 4180, comma, line feed): a header row, then a row per picture and step with the columns [`COLUMNS`].
///
/// # Errors
/// [`Error::Output`] if the rows cannot be written.
pub fn levels(report: &Report) -> Result<String, Error> {
    let unwritable =
        |e: std::io::Error| Error::output("levels.csv", OutputProblem::Unwritable, Some(e));
    let mut table = csv::Writer::from_writer(Vec::new());
    table
        .write_record(COLUMNS.map(|(name, _)| name))
        .map_err(|e| unwritable(e.into()))?;
    for bracket in &report.brackets {
        for picture in bracket.pictures.iter() {
            for patch in &picture.patches {
                table
                    .write_record(row(&bracket.name, picture, patch))
                    .map_err(|e| unwritable(e.into()))?;
            }
        }
    }
    let bytes = table.into_inner().map_err(|e| unwritable(e.into_error()))?;
    String::from_utf8(bytes).map_err(|e| unwritable(std::io::Error::other(e)))
}

/// Columns of comparison.csv in order: name and meaning. A cell without a value is empty. Intervals are 95 % intervals.
pub const COMPARISON_COLUMNS: [(&str, &str); 21] = [
    ("bracket", "name of the bracket"),
    ("picture", "file name of the camera's own HDR picture"),
    ("quantity", "what is compared, as in report.json"),
    ("unit", "unit of all the figures of the row"),
    ("camera_hdr", "of the camera's own HDR picture"),
    ("camera_hdr_low95", "lower end of its interval"),
    ("camera_hdr_high95", "upper end of its interval"),
    ("merge", "of the merge"),
    ("merge_low95", "lower end of its interval"),
    ("merge_high95", "upper end of its interval"),
    ("single", "of the best single frame"),
    ("single_low95", "lower end of its interval"),
    ("single_high95", "upper end of its interval"),
    ("single_file", "that frame"),
    ("less_merge", "camera less merge"),
    ("less_merge_low95", "lower end of its interval"),
    ("less_merge_high95", "upper end of its interval"),
    ("merge_tie", "true if 0 lies in that interval"),
    ("less_single", "camera less single frame"),
    ("less_single_low95", "lower end of its interval"),
    ("less_single_high95", "upper end of its interval"),
];

/// Returns comparison.csv (RFC 4180): a header row, then a row per compared quantity with the columns [`COMPARISON_COLUMNS`].
///
/// # Errors
/// [`Error::Output`] if the rows cannot be written.
pub fn comparison(report: &Report) -> Result<String, Error> {
    let unwritable =
        |e: std::io::Error| Error::output("comparison.csv", OutputProblem::Unwritable, Some(e));
    let mut table = csv::Writer::from_writer(Vec::new());
    table
        .write_record(COMPARISON_COLUMNS.map(|(name, _)| name))
        .map_err(|e| unwritable(e.into()))?;
    for bracket in &report.brackets {
        let Some(comparison) = &bracket.comparison else {
            continue;
        };
        for one in &comparison.quantities {
            table
                .write_record(quantity(&bracket.name, &comparison.file, one))
                .map_err(|e| unwritable(e.into()))?;
        }
    }
    let bytes = table.into_inner().map_err(|e| unwritable(e.into_error()))?;
    String::from_utf8(bytes).map_err(|e| unwritable(std::io::Error::other(e)))
}

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
    let unwritable =
        |e: std::io::Error| Error::output("cameras.csv", OutputProblem::Unwritable, Some(e));
    let mut table = csv::Writer::from_writer(Vec::new());
    table
        .write_record(CAMERA_COLUMNS.map(|(name, _)| name))
        .map_err(|e| unwritable(e.into()))?;
    for row in &cameras.rows {
        table
            .write_record(camera(row))
            .map_err(|e| unwritable(e.into()))?;
    }
    let bytes = table.into_inner().map_err(|e| unwritable(e.into_error()))?;
    let text = String::from_utf8(bytes).map_err(|e| unwritable(std::io::Error::other(e)))?;
    Ok(Some(text))
}

fn camera(row: &CameraRow) -> Vec<String> {
    let count = |n: Option<usize>| n.map_or_else(String::new, |n| n.to_string());
    let range = |usable: Option<UsableStops>| {
        let of = |get: fn(&UsableStops) -> Option<f64>| optional(usable.as_ref().and_then(get));
        [of(|u| u.stops), of(|u| u.low95), of(|u| u.high95)]
    };
    let settings = &row.settings;
    let mut out = vec![
        row.camera.clone(),
        row.bracket.clone(),
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

fn quantity(bracket: &str, file: &str, one: &Compared) -> Vec<String> {
    let mut row = vec![
        bracket.to_owned(),
        file.to_owned(),
        super::words::quantity_name(one.quantity).to_owned(),
        one.unit.clone(),
    ];
    for figure in [&one.camera_hdr, &one.merge, &one.single] {
        row.push(optional(figure.map(|f| f.value)));
        row.push(optional(figure.and_then(|f| f.low95)));
        row.push(optional(figure.and_then(|f| f.high95)));
    }
    row.push(one.single_file.clone().unwrap_or_default());
    let (merge, single) = (one.against_merge, one.against_single);
    for (less, tie) in [(merge, true), (single, false)] {
        row.push(optional(less.map(|d| d.value)));
        row.push(optional(less.and_then(|d| d.low95)));
        row.push(optional(less.and_then(|d| d.high95)));
        if tie {
            let tie = less.and_then(|d| d.tie);
            row.push(tie.map_or_else(String::new, |t| t.to_string()));
        }
    }
    row
}

fn row(bracket: &str, picture: &PictureMeasurement, patch: &Patch) -> Vec<String> {
    let mut row = vec![
        bracket.to_owned(),
        picture.file.clone(),
        super::words::kind_name(picture.kind).to_owned(),
        patch.step.to_string(),
        optional(patch.density),
        patch.pixels.to_string(),
        number(patch.effective_samples),
    ];
    let codes = patch.code.map_or([None; 3], |code| code.map(Some));
    row.extend(codes.map(optional));
    row.push(optional(patch.code_deviation));
    row.extend([patch.linear, patch.linear_deviation].map(number));
    row.push(optional(patch.block_deviation));
    row.extend([patch.snr, patch.clipped_share, patch.crushed_share].map(number));
    row.extend(next(picture.pairs.iter().find(|p| p.step == patch.step)));
    row
}

fn next(pair: Option<&Pair>) -> [String; 12] {
    let Some(p) = pair else {
        return std::array::from_fn(|_| String::new());
    };
    [
        number(p.separation),
        optional(p.block_separation),
        optional(p.code_difference),
        number(p.lightness_difference),
        number(p.jnd_difference),
        number(p.p_value),
        p.by_noise.to_string(),
        p.by_block.map_or_else(String::new, |b| b.to_string()),
        p.by_code.map_or_else(String::new, |b| b.to_string()),
        p.by_visual.to_string(),
        p.by_mean.to_string(),
        p.reason
            .map_or_else(String::new, |r| super::words::reason_name(r).to_owned()),
    ]
}

/// Shortest decimal text that parses to the same float; empty for a value that is not finite.
fn number(value: f64) -> String {
    if value.is_finite() {
        value.to_string()
    } else {
        String::new()
    }
}

fn optional(value: Option<f64>) -> String {
    value.map_or_else(String::new, number)
}
