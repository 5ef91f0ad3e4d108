//! The adaptive logarithmic operator against OpenCV's, on a ramp of grey light (tone/operators.py).
use stopspan_tone::logarithmic::{BIAS, display_luminance};

/// OpenCV takes the logarithm of black as that of 1e-4 for the mean.
const BLACK: f64 = 1e-4;

#[test]
fn the_logarithmic_operator_is_opencvs_up_to_a_factor() {
    let table = include_str!("tone/logarithmic.csv").lines().skip(1);
    let row = |line: &str| -> [f64; 2] {
        let numbers: Vec<f64> = line.split(',').map(|v| v.parse().unwrap()).collect();
        numbers.try_into().unwrap()
    };
    let rows: Vec<[f64; 2]> = table.map(row).collect();
    assert_eq!(rows.len(), 60);
    let logs: f64 = rows.iter().map(|r| r[0].ln()).sum::<f64>() + BLACK.ln();
    let mean = (logs / 61.0).exp();
    let most = rows[59][0] / mean;
    let ratio = |r: &[f64; 2]| display_luminance(r[0] / mean, most, BIAS) / r[1];
    let first = ratio(&rows[0]);
    for row in &rows {
        // Single precision there.
        assert!((ratio(row) / first - 1.0).abs() < 2e-5, "{row:?}");
    }
}
