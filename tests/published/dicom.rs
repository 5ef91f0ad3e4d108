//! The grayscale standard display function of DICOM PS3.14: all 1023 rows of its table, both ways.
use super::table::numbers;
use stopspan_measure::levels::{jnd_index, luminance_of_jnd};

#[test]
fn luminance_of_every_index() {
    for row in numbers("dicom_gsdf.csv", 1023) {
        let got = luminance_of_jnd(row[0]);
        // The table is rounded to six decimals.
        assert!(
            (got - row[1]).abs() <= 6e-7 + 1e-9 * row[1],
            "j {}: {got}",
            row[0]
        );
    }
}

/// The standard gives its inverse as another polynomial, a fit: it comes back to the index within half a unit everywhere.
#[test]
fn index_of_every_luminance() {
    for row in numbers("dicom_gsdf.csv", 1023) {
        let got = jnd_index(row[1]);
        assert!((got - row[0]).abs() < 0.5, "j {}: {got}", row[0]);
    }
}

/// Ends as printed in PS3.14 table B-1: 0.0500 and 3993.4040 cd/m^2. The polynomial is 0.002 % below its own last row.
#[test]
fn ends_of_the_table() {
    assert!((luminance_of_jnd(1.0) - 0.05).abs() < 5e-5);
    assert!((luminance_of_jnd(1023.0) / 3993.404 - 1.0).abs() < 3e-5);
}
