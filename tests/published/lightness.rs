//! CIE L* of a 21-step 0.15 D wedge against the colour-science library, and the constants of the CIE themselves.
use super::table::numbers;
use stopspan_measure::levels::lightness;

#[test]
fn agrees_with_a_reference_library() {
    for row in numbers("lightness_wedge.csv", 21) {
        let got = lightness(row[1] / 100.0);
        assert!((got - row[2]).abs() < 1e-9, "D {}: {got}", row[0]);
    }
}

/// CIE 15: the linear part ends at L* = 8, where both parts meet; perfect white is 100 and black 0.
#[test]
fn parts_meet_where_the_standard_says() {
    let edge = 216.0 / 24389.0;
    assert!((lightness(edge) - 8.0).abs() < 1e-12);
    assert!((lightness(edge * (1.0 + 1e-12)) - 8.0).abs() < 1e-9);
    assert_eq!((lightness(0.0), lightness(1.0)), (0.0, 100.0));
}

/// Steps of 0.15 D fall below one unit of lightness after D 2.40 (from the table's own last column).
#[test]
fn lightness_steps_end_at_2_55() {
    let rows = numbers("lightness_wedge.csv", 21);
    let told = |w: &&[Vec<f64>]| lightness(w[0][1] / 100.0) - lightness(w[1][1] / 100.0) >= 1.0;
    let expected = rows.windows(2).filter(|w| w[0][2] - w[1][2] >= 1.0).count();
    assert_eq!(rows.windows(2).filter(told).count(), expected);
    assert_eq!(expected, 17);
}
