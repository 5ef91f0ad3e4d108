//! Gain, saturation and dynamic range of a real 8-bit camera from its photon-transfer table, as EMVA 1288 defines them.
//!
//! Expected figures: numpy 2.4.6 on the same table (`argmax`, and sums for the two slopes) by the definitions of EMVA 1288 release
//! 4.0 linear: K is the slope of variance over mean between 0 and 70 % of saturation, dark values subtracted; saturation is where
//! the variance is largest; a dark variance below 0.24 DN^2 counts as 0.24.
use super::table::{digits, numbers};
use nalgebra::DMatrix;
use stopspan_core::statistics::fit::least_squares;
use stopspan_measure::range::closed_form;

struct Row {
    photons: f64,
    mean: f64,
    variance: f64,
    dark_variance: f64,
}

fn rows() -> Vec<Row> {
    let table = numbers("photon_transfer_cmos8.csv", 100);
    let row = |r: &Vec<f64>| Row {
        photons: r[1],
        mean: r[2] - r[4],
        variance: r[3],
        dark_variance: r[5],
    };
    table.iter().map(row).collect()
}

/// Slope of a line through the origin.
fn slope(pairs: &[(f64, f64)]) -> f64 {
    let design = DMatrix::from_fn(pairs.len(), 1, |i, _| pairs[i].0);
    let observed: Vec<f64> = pairs.iter().map(|p| p.1).collect();
    let fit = least_squares(&design, &observed, &vec![1.0; pairs.len()]).unwrap();
    fit.coefficients[0]
}

/// (K in DN per electron, quantum efficiency, index of saturation).
fn characterise(rows: &[Row]) -> (f64, f64, usize) {
    let top = (0..rows.len())
        .max_by(|&i, &j| rows[i].variance.total_cmp(&rows[j].variance))
        .unwrap();
    let linear: Vec<&Row> = rows
        .iter()
        .filter(|r| r.mean <= 0.7 * rows[top].mean)
        .collect();
    assert_eq!(linear.len(), 49);
    let transfer = linear
        .iter()
        .map(|r| (r.mean, r.variance - r.dark_variance));
    let gain = slope(&transfer.collect::<Vec<_>>());
    let responsivity = slope(
        &linear
            .iter()
            .map(|r| (r.photons, r.mean))
            .collect::<Vec<_>>(),
    );
    (gain, responsivity / gain, top)
}

#[test]
fn gain_and_saturation() {
    let rows = rows();
    let (gain, efficiency, top) = characterise(&rows);
    assert!(digits(gain, 0.020_619_795_031_669_823) > 12.0, "{gain}");
    assert!(
        digits(efficiency, 0.548_187_092_820_329_1) > 12.0,
        "{efficiency}"
    );
    assert_eq!(top, 73);
    let electrons = rows[top].mean / gain;
    assert!(
        digits(electrons, 10_219.849_405_696_768) > 12.0,
        "{electrons}"
    );
}

/// The closed form for the range at SNR 1 against the standard's own definition, mu_p.sat / mu_p.min with the approximate
/// mu_e.min = sigma_y.dark / K + 1/2; the exact form differs by less than 0.01 stop here.
#[test]
fn range_at_snr_1() {
    let rows = rows();
    let (gain, efficiency, top) = characterise(&rows);
    let dark = rows[0].dark_variance.max(0.24);
    let read_variance = dark / (gain * gain);
    let stops = closed_form(rows[top].photons * efficiency, read_variance, &[1.0], 1.0).unwrap();
    let least = (read_variance.sqrt() + 0.5) / efficiency;
    let standard = (rows[top].photons / least).log2();
    assert!(digits(standard, 8.722_223_950_111_08) > 12.0, "{standard}");
    assert!((stops - standard).abs() < 0.01, "{stops} {standard}");
    // And the table itself: the measured SNR passes 1 between the two rows that hold the predicted threshold.
    let snr = |r: &Row| r.mean / r.variance.sqrt();
    let above = rows.iter().position(|r| snr(r) >= 1.0).unwrap();
    assert!(rows[above - 1].photons < least && least < rows[above].photons);
}
