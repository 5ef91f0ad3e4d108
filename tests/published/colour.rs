//! Colour differences and L*a*b* against published pairs and a published chart.
use super::table::{numbers, text};
use stopspan_measure::compare::{D65, ciede2000, lab, xyz};

/// All 34 pairs of Sharma, Wu and Dalal (2005), table 1, both ways round. Pair 14 sits on the discontinuity of the mean hue
/// and is met like the others.
#[test]
fn every_published_pair_is_met() {
    for (index, row) in numbers("ciede2000_sharma34.csv", 34).iter().enumerate() {
        let (a, b) = ([row[0], row[1], row[2]], [row[3], row[4], row[5]]);
        for found in [ciede2000(a, b), ciede2000(b, a)] {
            assert!(
                (found - row[6]).abs() < 1e-4,
                "pair {}: {found}, published {}",
                index + 1,
                row[6]
            );
        }
        assert_eq!(ciede2000(a, a), 0.0);
    }
}

/// 24 patches against the L*a*b* that another library gives for their published xyY and white.
#[test]
fn the_chart_has_its_lab_values() {
    let white = |x: f64, y: f64| [x / y, 1.0, (1.0 - x - y) / y];
    for row in text("colour_chart_24.csv", 24) {
        let n: Vec<f64> = row[1..].iter().map(|v| v.parse().unwrap()).collect();
        let scaled = white(n[0], n[1]).map(|v| v * n[2]);
        let found = lab(scaled, white(0.345_703, 0.358_539));
        for (got, expected) in found.iter().zip(&n[3..]) {
            assert!((got - expected).abs() < 1e-5, "{}: {found:?}", row[0]);
        }
    }
}

/// IEC 61966-2-1: equal linear R, G, B are grey of D65; its white is x 0.3127, y 0.3290.
#[test]
fn equal_channels_are_neutral() {
    for level in [0.001, 0.18, 1.0] {
        let [l, a, b] = lab(xyz([level; 3]), D65);
        assert!(a.abs() < 1e-9 && b.abs() < 1e-9 && l > 0.0);
    }
    let sum: f64 = D65.iter().sum();
    assert!((D65[0] / sum - 0.3127).abs() < 1e-12 && (D65[1] / sum - 0.3290).abs() < 1e-12);
}
