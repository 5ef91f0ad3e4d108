//! The tables for spreadsheets, read back by another language's reader and by a spreadsheet's rules.
use super::program::program;
use std::path::{Path, PathBuf};

/// Reads a table with Python's `csv` module, and looks at every cell as a spreadsheet does: a number, true or false, empty, or text
/// that begins with no character of a formula and is no date. Prints rows and columns.
const READER: &str = r#"
import csv, re, sys
number = re.compile(r"-?\d+(\.\d+)?(e-?\d+)?$")
date = re.compile(r"\d{1,4}[-/.]\d{1,2}([-/.]\d{1,4})?$")
for name in sys.argv[1:]:
    with open(name, newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file, strict=True))
    assert rows, name
    for row in rows:
        assert None not in row and None not in row.values(), (name, row)
        for key, cell in row.items():
            if number.match(cell):
                value = float(cell)
                plain = "e" not in cell and value != 0 and abs(value) < 1e-4
                assert not plain, (name, key, cell, "a small number without an exponent")
            elif cell not in ("", "true", "false"):
                assert cell[0] not in "=+-@", (name, key, cell)
                assert not date.match(cell), (name, key, cell)
        if name.endswith("stops.csv"):
            bound = row["is_lower_bound"] == "true"
            assert bound == (row["limited_by"] == "wedge"), row
            if bound:
                assert row["stops"] == "" and row["high"] == "", row
            elif row["low"]:
                assert float(row["low"]) <= float(row["stops"]) <= float(row["high"]), row
    print(name.rsplit("/", 1)[-1], len(rows), len(rows[0]))
"#;

/// Reads the tables with pandas as a reader of such files does, without options: columns of figures come out as numbers, those of truth
/// as truth, and a lower bound has no `stops`.
const PANDAS: &str = r#"
import sys
try:
    import pandas as pd
except ImportError:
    sys.exit("SKIPPED: no pandas")
text = {"bracket", "picture", "kind", "linear_light", "camera", "limited_by", "next_reason"}
for name in sys.argv[1:]:
    table = pd.read_csv(name)
    if not name.endswith("cameras.csv"):
        for column in table.columns:
            if column not in text and table[column].notna().any():
                whole = table[column].dropna()
                plain = pd.api.types.is_numeric_dtype(table[column]) or set(whole) <= {True, False}
                assert plain, (name, column, table[column].dtype)
    if name.endswith("stops.csv"):
        bound = table["is_lower_bound"].astype(bool)
        bounds, rest = table[bound], table[~bound].dropna(subset=["low"])
        assert bounds["stops"].isna().all() and bounds["low"].notna().all(), bounds
        assert (rest["low"] <= rest["stops"]).all() and (rest["stops"] <= rest["high"]).all(), rest
    print(name.rsplit("/", 1)[-1], *table.shape)
"#;

/// Runs a Python program on the tables; `None` without Python. `STOPSPAN_PYTHON` names another interpreter than `python3`.
fn python(source: &str, files: &[PathBuf]) -> Option<std::process::Output> {
    let python = std::env::var("STOPSPAN_PYTHON").unwrap_or_else(|_| "python3".into());
    let mut command = std::process::Command::new(python);
    command.args(["-c", source]).args(files).output().ok()
}

/// The three cameras of the samples, with the densities of their wedge.
#[test]
fn the_tables_read_back() {
    let scratch = tempfile::tempdir().unwrap();
    let out = scratch.path().join("out");
    let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples/cameras");
    program(&[
        "run",
        samples.to_str().unwrap(),
        "--out",
        out.to_str().unwrap(),
        "--wedge-densities",
        "0.05:0.15",
        "--sheet-look",
        "none",
    ])
    .expect(0);
    let tables = ["levels.csv", "steps.csv", "stops.csv", "cameras.csv"];
    // The same without Python: four pictures of 21 steps; three have ranges, at four SNR each.
    for (name, rows) in [("levels.csv", 4), ("steps.csv", 84), ("stops.csv", 12)] {
        let text = std::fs::read_to_string(out.join(name)).unwrap();
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        assert_eq!(
            reader
                .records()
                .map(Result::unwrap)
                .collect::<Vec<_>>()
                .len(),
            rows,
            "{name}"
        );
    }
    let files = tables.map(|name| out.join(name));
    for source in [READER, PANDAS] {
        let Some(read) = python(source, &files) else {
            eprintln!("SKIPPED: there is no python3 to read the tables with");
            return;
        };
        let said = String::from_utf8_lossy(&read.stdout);
        let wrong = String::from_utf8_lossy(&read.stderr);
        if wrong.starts_with("SKIPPED") {
            eprintln!("{wrong}");
            continue;
        }
        assert!(read.status.success(), "{said}{wrong}");
        assert!(said.contains("stops.csv 12 10"), "{said}");
    }
}
