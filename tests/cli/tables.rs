//! The tables for spreadsheets, read back by another language's reader and by a spreadsheet's rules.
use super::program::program;
use std::path::Path;

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
    let mut python = std::process::Command::new("python3");
    python.args(["-c", READER]);
    python.args(tables.map(|name| out.join(name)));
    match python.output() {
        Err(_) => eprintln!("SKIPPED: there is no python3 to read the tables with"),
        Ok(read) => {
            let said = String::from_utf8_lossy(&read.stdout);
            let wrong = String::from_utf8_lossy(&read.stderr);
            assert!(read.status.success(), "{said}{wrong}");
            assert!(said.contains("stops.csv 12 10"), "{said}");
        }
    }
}
