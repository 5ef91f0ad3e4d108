//! steps.csv: a row per picture and step.
use super::{BRACKET, KIND, LINEAR_LIGHT, Measured, PICTURE, measured, number, optional, written};
use crate::words::reason_name;
use stopspan_core::Error;
use stopspan_core::results::{Pair, Patch, Report};

/// Columns of steps.csv in order: name and meaning. A cell without a value is empty. Columns that begin with `next_` compare
/// the step with the next darker one; they are empty on the last step.
pub const STEP_COLUMNS: [(&str, &str); 32] = [
    BRACKET,
    PICTURE,
    KIND,
    LINEAR_LIGHT,
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
        "tint_a",
        "CIE a* of the mean code on an sRGB display; pictures without a bracket only",
    ),
    ("tint_b", "CIE b* of the same"),
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
    ("next_by_noise", "resolved by noise: true or false"),
    (
        "next_by_block",
        "resolved by that separation: true or false",
    ),
    ("next_by_code", "resolved by code: true or false"),
    ("next_by_visual", "resolved by visual: true or false"),
    (
        "next_by_mean",
        "resolved by the patch-mean test: true or false",
    ),
    (
        "next_reason",
        "why they run together: clipped, crushed, noise or order",
    ),
];

/// Returns steps.csv (RFC 4180): a header row, then a row per picture and step with the columns [`STEP_COLUMNS`].
///
/// # Errors
/// [`Error::Output`] if the rows cannot be written.
pub fn steps(report: &Report) -> Result<String, Error> {
    let pictures = measured(report);
    let rows = pictures.iter().flat_map(|of| {
        let patches = of.picture.patches.iter();
        patches.map(move |patch| row(of, patch))
    });
    written("steps.csv", &STEP_COLUMNS.map(|(name, _)| name), rows)
}

fn row(of: &Measured, patch: &Patch) -> Vec<String> {
    let mut row = of.names();
    row.extend([
        patch.step.to_string(),
        optional(patch.density),
        patch.pixels.to_string(),
        number(patch.effective_samples),
    ]);
    let codes = patch.code.map_or([None; 3], |code| code.map(Some));
    row.extend(codes.map(optional));
    row.push(optional(patch.code_deviation));
    row.extend([patch.linear, patch.linear_deviation].map(number));
    row.push(optional(patch.block_deviation));
    row.extend([patch.snr, patch.clipped_share, patch.crushed_share].map(number));
    let tint = of.tint.iter().find(|t| t.step == patch.step);
    row.extend([tint.map(|t| t.a), tint.map(|t| t.b)].map(optional));
    row.extend(next(of.picture.pairs.iter().find(|p| p.step == patch.step)));
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
            .map_or_else(String::new, |r| reason_name(r).to_owned()),
    ]
}
