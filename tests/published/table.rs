//! Reads the CSV tables of this folder and says how many rows they must have.
use std::path::Path;

/// A table of `rows` data rows, each a list of fields. Panics with the file's name if the number of rows is another.
pub fn text(name: &str, rows: usize) -> Vec<Vec<String>> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/published")
        .join(name);
    let mut reader = csv::Reader::from_path(&path).unwrap_or_else(|e| panic!("{name}: {e}"));
    let found: Vec<Vec<String>> = reader
        .records()
        .map(|record| record.unwrap().iter().map(str::to_owned).collect())
        .collect();
    assert_eq!(found.len(), rows, "rows of {name}");
    found
}

/// As [`text`], every field a number.
pub fn numbers(name: &str, rows: usize) -> Vec<Vec<f64>> {
    let parse = |field: &String| {
        field
            .parse()
            .unwrap_or_else(|_| panic!("{name}: {field:?} is no number"))
    };
    text(name, rows)
        .iter()
        .map(|row| row.iter().map(parse).collect())
        .collect()
}

/// Number of digits that agree: -log10 of the relative difference (of the absolute one where 0 is expected), at most 15.
pub fn digits(found: f64, expected: f64) -> f64 {
    let scale = if expected == 0.0 { 1.0 } else { expected.abs() };
    -((found - expected).abs() / scale).max(1e-15).log10()
}
