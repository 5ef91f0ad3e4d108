//! comparison.csv: a row per compared quantity.
use super::{optional, text, written};
use crate::words::quantity_name;
use stopspan_core::Error;
use stopspan_core::results::{Compared, Report};

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
    let compared = report.brackets.iter().filter_map(|bracket| {
        let comparison = bracket.comparison.as_ref()?;
        let of = |one| quantity(&bracket.name, &comparison.file, one);
        Some(comparison.quantities.iter().map(of))
    });
    let heads = COMPARISON_COLUMNS.map(|(name, _)| name);
    written("comparison.csv", &heads, compared.flatten())
}

fn quantity(bracket: &str, file: &str, one: &Compared) -> Vec<String> {
    let mut row = vec![
        text(bracket),
        text(file),
        quantity_name(one.quantity).to_owned(),
        one.unit.clone(),
    ];
    for figure in [&one.camera_hdr, &one.merge, &one.single] {
        row.push(optional(figure.map(|f| f.value)));
        row.push(optional(figure.and_then(|f| f.low95)));
        row.push(optional(figure.and_then(|f| f.high95)));
    }
    row.push(
        one.single_file
            .as_deref()
            .map_or_else(String::new, super::text),
    );
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
