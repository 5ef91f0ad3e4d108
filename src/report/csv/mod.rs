//! CSV files of a report (RFC 4180, comma, line feed, UTF-8).
//!
//! In reading order: `levels`, a row per picture; `steps`, a row per picture and step; `stops`, a row per picture and SNR;
//! `comparison`, a row per quantity; `cameras`, a row per camera.
//!
//! Rules of all files: a cell without a value is empty; numbers have a point and no grouping, and an exponent below 0.0001 ("1.2e-7");
//! truth is `true` or `false`; a lower bound is marked by a column of its own and never stands where a measured range would; text has
//! its control characters as escapes (`\n`), and an apostrophe before it where a spreadsheet would take it for a formula.
mod cameras;
mod comparison;
mod levels;
mod steps;
mod stops;

pub use cameras::{camera_columns, cameras};
pub use comparison::{COMPARISON_COLUMNS, comparison};
pub use levels::{LEVEL_COLUMNS, levels};
pub use steps::{STEP_COLUMNS, steps};
pub use stops::{STOP_COLUMNS, stops};

use crate::words::kind_name;
use stopspan_core::Error;
use stopspan_core::error::{OutputProblem, printable};
use stopspan_core::model::ResponseMethod;
use stopspan_core::results::{BracketReport, Limit, LinearLight, Report};
use stopspan_core::results::{PictureMeasurement, Tint, UsableStops};

/// Smallest absolute value, other than 0, written without an exponent.
const SMALLEST_PLAIN: f64 = 1e-4;
/// Smallest absolute value written with an exponent because it is large.
const LARGEST_PLAIN: f64 = 1e15;

/// A column: name and meaning.
type Column = (&'static str, &'static str);
/// Columns that rows of measured pictures begin with.
const BRACKET: Column = (
    "bracket",
    "name of the bracket, or of the camera's pictures without one",
);
const PICTURE: Column = ("picture", "file name");
const KIND: Column = ("kind", "frame, camera-hdr, merge or rendered");
const LINEAR_LIGHT: Column = (
    "linear_light",
    "how levels were made linear: bracket, saved, wedge, linear or srgb (assumed)",
);

/// Writes a table.
fn written(
    file: &str,
    heads: &[&str],
    rows: impl Iterator<Item = Vec<String>>,
) -> Result<String, Error> {
    let unwritable = |e: std::io::Error| Error::output(file, OutputProblem::Unwritable, Some(e));
    let mut table = csv::Writer::from_writer(Vec::new());
    table
        .write_record(heads)
        .map_err(|e| unwritable(e.into()))?;
    for row in rows {
        table.write_record(row).map_err(|e| unwritable(e.into()))?;
    }
    let bytes = table.into_inner().map_err(|e| unwritable(e.into_error()))?;
    String::from_utf8(bytes).map_err(|e| unwritable(std::io::Error::other(e)))
}

/// A measured picture with what its rows begin with.
struct Measured<'a> {
    bracket: &'a str,
    camera: Option<&'a str>,
    light: &'static str,
    picture: &'a PictureMeasurement,
    tint: &'a [Tint],
}

impl Measured<'_> {
    /// The first cells of every row: bracket, picture, kind, linear light.
    fn names(&self) -> Vec<String> {
        vec![
            text(self.bracket),
            text(&self.picture.file),
            kind_name(self.picture.kind).to_owned(),
            self.light.to_owned(),
        ]
    }
}

/// Every measured picture: those of brackets, then those without one.
fn measured(report: &Report) -> Vec<Measured<'_>> {
    let of_brackets = report.brackets.iter().flat_map(|bracket| {
        bracket.pictures.iter().map(|picture| Measured {
            bracket: &bracket.name,
            camera: bracket.camera.as_deref(),
            light: light_of_bracket(bracket),
            picture,
            tint: &[],
        })
    });
    let alone = report.without_bracket.iter().flat_map(|entry| {
        entry.pictures.iter().map(|lone| Measured {
            bracket: &entry.name,
            camera: entry.camera.as_deref(),
            light: light_name(&lone.light),
            picture: &lone.measured,
            tint: &lone.tint,
        })
    });
    of_brackets.chain(alone).collect()
}

/// How the levels of a bracket's pictures were made linear.
fn light_of_bracket(bracket: &BracketReport) -> &'static str {
    match bracket.response.as_ref().map(|r| r.method) {
        Some(ResponseMethod::Linear) => "linear",
        Some(ResponseMethod::Srgb) => "srgb",
        _ => "bracket",
    }
}

/// How the levels of a picture alone were made linear, as `kind` in report.json.
fn light_name(light: &LinearLight) -> &'static str {
    match light {
        LinearLight::Bracket { .. } => "bracket",
        LinearLight::Saved { .. } => "saved",
        LinearLight::Wedge { .. } => "wedge",
        LinearLight::Linear => "linear",
        LinearLight::Srgb => "srgb",
    }
}

/// A range as a file states it.
struct Bounded {
    /// The range; `None` for a lower bound.
    stops: Option<f64>,
    /// Lower end of its interval, or the lower bound.
    low: Option<f64>,
    /// Upper end of its interval; `None` for a lower bound.
    high: Option<f64>,
    is_lower_bound: bool,
}

/// A range with its interval; a lower bound is an interval that is open above.
fn bounded(usable: &UsableStops) -> Bounded {
    if usable.limited_by == Limit::Wedge {
        return Bounded {
            stops: None,
            low: usable.stops.or(usable.seen_stops),
            high: None,
            is_lower_bound: true,
        };
    }
    Bounded {
        stops: usable.stops,
        low: usable.low95,
        high: usable.high95,
        is_lower_bound: false,
    }
}

/// Shortest text that parses to the same float, with an exponent below 0.0001; empty for a value that is not finite.
fn number(value: f64) -> String {
    if !value.is_finite() {
        return String::new();
    }
    let size = value.abs();
    if size != 0.0 && !(SMALLEST_PLAIN..LARGEST_PLAIN).contains(&size) {
        return format!("{value:e}");
    }
    value.to_string()
}

fn optional(value: Option<f64>) -> String {
    value.map_or_else(String::new, number)
}

/// Text from files in one line, safe for a spreadsheet: what it would take for a formula, after spaces too, gets an apostrophe before it
/// (common practice, no source).
fn text(words: &str) -> String {
    let words = printable::text(words);
    let first = words.trim_start().chars().next();
    match first {
        Some('=' | '+' | '-' | '@' | '\u{ff1d}' | '\u{ff0b}' | '\u{ff0d}' | '\u{ff20}') => {
            format!("'{words}")
        }
        _ => words.into_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Read back by the `csv` crate, a hostile name is one cell that begins with no sign of a formula and holds no control character.
    #[test]
    fn hostile_text_is_one_harmless_cell() {
        let names = [
            "=1+1.jpg",
            "+a",
            "-a",
            "@a",
            " =a",
            "\t=a",
            "\r=a",
            "\u{ff1d}a",
            "a\n=b,\"c\"",
            "a\u{1b}[2Jb",
            "a,b;c",
        ];
        let rows = names.iter().map(|name| vec![text(name), "1".to_owned()]);
        let table = written("a.csv", &["name", "number"], rows).unwrap();
        let mut back = csv::Reader::from_reader(table.as_bytes());
        let cells: Vec<_> = back.records().map(|r| r.unwrap()[0].to_owned()).collect();
        assert_eq!(cells.len(), names.len());
        for cell in &cells {
            let first = cell.trim_start().chars().next().unwrap();
            assert!(!"=+-@\u{ff1d}".contains(first), "{cell}");
            assert!(!cell.contains(char::is_control), "{cell:?}");
        }
        assert_eq!(cells[0], "'=1+1.jpg");
        assert_eq!(cells[8], "a\\n=b,\"c\"");
        assert_eq!(cells[10], "a,b;c");
    }

    #[test]
    fn small_numbers_have_an_exponent() {
        for (value, words) in [
            (1.25e-7, "1.25e-7"),
            (-3e-5, "-3e-5"),
            (1e-4, "0.0001"),
            (0.0, "0"),
            (1234.5, "1234.5"),
            (1e16, "1e16"),
            (f64::NAN, ""),
        ] {
            assert_eq!(number(value), words);
        }
    }
}
