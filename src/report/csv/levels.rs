//! levels.csv: a row per picture.
use super::{BRACKET, KIND, LINEAR_LIGHT, Measured, PICTURE, measured, written};
use stopspan_core::Error;
use stopspan_core::results::Report;

/// Share of clipped pixels above which a step counts as clipped.
const CLIPPED: f64 = 0.01;
/// Share of black pixels from which a step counts as black.
const CRUSHED: f64 = 0.5;

/// Columns of levels.csv in order: name and meaning. A cell without a value is empty.
pub const LEVEL_COLUMNS: [(&str, &str); 16] = [
    BRACKET,
    PICTURE,
    KIND,
    LINEAR_LIGHT,
    ("camera", "camera as the metadata name it"),
    ("steps", "steps on the wedge"),
    ("noise", "steps resolved by noise"),
    (
        "is_lower_bound",
        "true if every step is resolved by noise: a longer wedge might show more",
    ),
    (
        "block",
        "steps resolved by the noise of 8x8 block means, which compression spares",
    ),
    ("code", "steps resolved by code"),
    ("visual", "steps resolved by CIE lightness"),
    ("patch_mean", "steps resolved by the test on patch means"),
    (
        "longest_run",
        "longest unbroken run of steps resolved by noise",
    ),
    (
        "reversals",
        "neighbouring steps in the wrong order beyond chance",
    ),
    (
        "clipped_steps",
        "number of steps with over 1 % of their pixels at the clip level",
    ),
    (
        "black_steps",
        "number of steps with half of their pixels or more at the black floor",
    ),
];

/// Returns levels.csv (RFC 4180): a header row, then a row per picture with the columns [`LEVEL_COLUMNS`].
///
/// # Errors
/// [`Error::Output`] if the rows cannot be written.
pub fn levels(report: &Report) -> Result<String, Error> {
    let heads = LEVEL_COLUMNS.map(|(name, _)| name);
    written("levels.csv", &heads, measured(report).iter().map(row))
}

fn row(of: &Measured) -> Vec<String> {
    let picture = of.picture;
    let levels = picture.levels;
    let count = |n: Option<usize>| n.map_or_else(String::new, |n| n.to_string());
    let patches = |lost: fn(f64, f64) -> bool| {
        let with = picture.patches.iter();
        let number = with
            .filter(|p| lost(p.clipped_share, p.crushed_share))
            .count();
        count(levels.map(|_| number))
    };
    let mut row = of.names();
    row.push(of.camera.map_or_else(String::new, super::text));
    row.extend([
        count(levels.map(|l| l.steps)),
        count(levels.map(|l| l.noise)),
        levels.map_or_else(String::new, |l| l.chart_limited.to_string()),
        count(levels.and_then(|l| l.block)),
        count(levels.and_then(|l| l.code)),
        count(levels.map(|l| l.visual)),
        count(levels.map(|l| l.patch_mean)),
        count(levels.map(|l| l.longest_run)),
        count(levels.map(|l| l.reversals)),
        patches(|clipped, _| clipped > CLIPPED),
        patches(|_, crushed| crushed >= CRUSHED),
    ]);
    row
}
