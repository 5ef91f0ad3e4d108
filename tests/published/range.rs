//! Usable range in closed form: the worked figures of EMVA 1288, and brackets against an explicit solution.
use super::table::numbers;
use stopspan_core::model::ResponseCurve;
use stopspan_measure::Source;
use stopspan_measure::range::{Capture, Observation, closed_form, darkest, fit, predicted_gain};

const FULL_WELL: f64 = 8000.0;
/// Read noise 3 e-, 12 bits over the full well: 9 + (8000/4095)^2 / 12 electrons squared.
const VARIANCE: f64 = 9.0 + (8000.0 / 4095.0) * (8000.0 / 4095.0) / 12.0;

/// EMVA 1288 release 4.0 linear, 2.6: `SNR(mu) = mu / sqrt(sigma_d^2 + sigma_q^2/K^2 + mu)` in electrons (equation 21); the absolute
/// sensitivity threshold is where it is 1, `mu_e.min = sqrt(sigma_d^2 + sigma_q^2/K^2 + 1/4) + 1/2` (equation 27, which the test holds
/// against 21); dynamic range is saturation over it. With sigma_d 3 e-, K 0.5 DN/e-, sigma_q^2 = 1/12 DN^2 and 8000 e- these
/// come to 3.5957 e- and 11.120 stops (66.95 dB).
#[test]
fn one_exposure_is_the_definition_of_emva_1288() {
    let variance = 9.0 + (1.0 / 12.0) / (0.5 * 0.5);
    let least = f64::sqrt(variance + 0.25) + 0.5;
    assert!((least / (variance + least).sqrt() - 1.0).abs() < 1e-12);
    assert!((least - 3.5957).abs() < 5e-5);
    let stops = closed_form(8000.0, variance, &[1.0], 1.0).unwrap();
    assert!((stops - (8000.0 / least).log2()).abs() < 1e-9);
    assert!((stops - 11.120).abs() < 5e-4);
}

/// One exposure has an explicit solution of `L / sqrt(L + v) = s`: L = (s^2 + s sqrt(s^2 + 4 v)) / 2.
#[test]
fn one_exposure_at_any_snr() {
    for s in [1.0, 2.0, 3.0, 4.0, 5.0, 10.0, 40.0f64] {
        let least = (s * s + s * (s * s + 4.0 * VARIANCE).sqrt()) / 2.0;
        assert!((least / (least + VARIANCE).sqrt() / s - 1.0).abs() < 1e-12);
        let stops = closed_form(FULL_WELL, VARIANCE, &[1.0], s).unwrap();
        assert!((stops - (FULL_WELL / least).log2()).abs() < 1e-9, "SNR {s}");
    }
}

/// Gains of brackets: the radiance at each SNR found by SciPy 1.17.1 (optimize.brentq) on
/// L sqrt(sum t^2 / (L t + v)) = s, computed once.
#[test]
fn brackets_gain_more_than_their_spread() {
    let rows = [
        (1.0, BRACKET_1.0, BRACKET_2.0),
        (2.0, BRACKET_1.1, BRACKET_2.1),
        (4.0, BRACKET_1.2, BRACKET_2.2),
        (5.0, BRACKET_1.3, BRACKET_2.3),
        (10.0, BRACKET_1.4, BRACKET_2.4),
    ];
    for (snr, one_stop, two_stops) in rows {
        let gain = |t: &[f64]| predicted_gain(FULL_WELL, VARIANCE, t, snr).unwrap();
        assert!(
            (gain(&[0.5, 1.0, 2.0]) - one_stop).abs() < 1e-6,
            "SNR {snr}"
        );
        assert!(
            (gain(&[0.25, 1.0, 4.0]) - two_stops).abs() < 1e-6,
            "SNR {snr}"
        );
    }
}

const BRACKET_1: (f64, f64, f64, f64, f64) = (
    2.255858828,
    2.317847957,
    2.433608325,
    2.483088720,
    2.643639217,
);
const BRACKET_2: (f64, f64, f64, f64, f64) = (
    4.067039515,
    4.091545303,
    4.145006307,
    4.170691725,
    4.265496728,
);

#[test]
fn senseless_sensors_have_no_range() {
    assert_eq!(closed_form(0.0, 9.0, &[1.0], 1.0), None);
    assert_eq!(closed_form(8000.0, -1.0, &[1.0], 1.0), None);
    assert_eq!(closed_form(8000.0, 9.0, &[], 1.0), None);
    assert_eq!(closed_form(8000.0, 9.0, &[1.0, 0.0], 1.0), None);
    assert_eq!(closed_form(8000.0, f64::NAN, &[1.0], 1.0), None);
    // An SNR beyond that of a full well is never reached.
    assert_eq!(closed_form(8000.0, 9.0, &[1.0], 100.0), None);
}

/// The noise model fitted to the photon-transfer table of a real camera (up to 70 % of saturation) gives the range at SNR 1
/// that EMVA 1288 computes for it: 8.7222 stops (see `photon_transfer.rs`), a dark variance below 0.24 DN^2 counting as 0.24.
#[test]
fn a_real_camera_by_fit_and_by_emva_1288() {
    let rows = numbers("photon_transfer_cmos8.csv", 100);
    let saturation = rows.iter().max_by(|a, b| a[3].total_cmp(&b[3])).unwrap();
    let top = saturation[2] - saturation[4];
    let source = Source::new(ResponseCurve::linear(4096, top / 255.0), 1.0);
    let capture = Capture::of(&[source]).unwrap();
    let seen: Vec<Observation> = rows
        .iter()
        .filter(|r| r[2] - r[4] <= 0.7 * top)
        .map(|r| Observation::new(&capture, (r[2] - r[4]) / top, r[3] / (top * top), 1e4))
        .collect();
    let seen: Vec<&Observation> = seen.iter().collect();
    let model = fit(&seen, 0.24, None).unwrap();
    let least = darkest(&capture, &model, 1.0).unwrap();
    let fitted = (capture.top() / least).log2();
    assert!((fitted - 8.7222).abs() < 0.1, "{fitted:.3}");
    // Gain of the same camera by the standard's straight line, which takes off the dark variance as measured: 0.020620 DN
    // per electron. So the fit must not put more into the dark than the data say.
    let gain = fit(&seen, 0.0, None).unwrap().shot * top;
    assert!((gain / 0.020_62 - 1.0).abs() < 0.05, "{gain}");
}
