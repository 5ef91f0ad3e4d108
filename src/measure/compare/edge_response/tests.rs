//! Edges of known blur, overshoot and noise against the closed form.
use super::*;

/// An edge of height 1 on 0.5, at `degrees` against the columns, blurred by a Gaussian of `sigma` pixels and, with `area`,
/// averaged over each pixel.
fn edge(sigma: f64, degrees: f64, area: bool) -> Array2<f64> {
    let (s, c) = degrees.to_radians().sin_cos();
    let fine: i32 = if area { 8 } else { 1 };
    Array2::from_shape_fn((80, 64), |(y, x)| {
        let mut sum = 0.0;
        for i in 0..fine {
            for j in 0..fine {
                let off = |k: i32| (f64::from(k) + 0.5) / f64::from(fine);
                let (px, py) = (x as f64 + off(i) - 32.3, y as f64 + off(j) - 40.0);
                let distance = px * c - py * s;
                sum += 0.5 * (1.0 + libm::erf(distance / (sigma * 2f64.sqrt())));
            }
        }
        0.5 + sum / f64::from(fine * fine)
    })
}

/// Closed form: a Gaussian spread of sigma pixels has MTF exp(-2 pi^2 sigma^2 f^2), one half at 0.1874 / sigma; the
/// area of a square pixel multiplies by sinc(f cos a) sinc(f sin a).
#[test]
fn a_gaussian_edge_has_its_closed_form() {
    for (sigma, degrees) in [(0.6, 5.0), (0.6, 2.5), (0.8, 9.0), (1.2, 4.0), (0.5, 7.0)] {
        for area in [false, true] {
            let (s, c) = f64::to_radians(degrees).sin_cos();
            let sinc = |x: f64| (PI * x).sin() / (PI * x);
            let true_mtf = |f: f64| {
                let box_ = if area { sinc(f * c) * sinc(f * s) } else { 1.0 };
                (-2.0 * (PI * sigma * f).powi(2)).exp() * box_
            };
            let at = |v: f64| {
                (1..1000)
                    .map(|i| f64::from(i) * 0.001)
                    .find(|f| true_mtf(*f) < v)
            };
            let found = response("edge", edge(sigma, degrees, area).view(), 1.0).unwrap();
            for (got, expected) in [(Some(found.mtf50), at(0.5)), (found.mtf10, at(0.1))] {
                let (got, expected) = (got.unwrap().value, expected.unwrap() - 0.0005);
                assert!(
                    (got / expected - 1.0).abs() < 0.01,
                    "sigma {sigma}, {degrees} degrees, area {area}: {got}, closed form {expected}"
                );
            }
            assert!(found.overshoot.value < 1e-3 && found.undershoot.value < 1e-3);
        }
    }
    let half = response("edge", edge(0.6, 5.0, false).view(), 1.0)
        .unwrap()
        .mtf50
        .value;
    assert!((half / 0.3123 - 1.0).abs() < 0.01, "{half}");
}

#[test]
fn the_line_and_the_side_do_not_matter() {
    let window = edge(0.7, 5.0, false);
    let found = line(window.view()).unwrap();
    assert!((found.degrees().abs() - 5.0).abs() < 0.02, "{found:?}");
    let turned = window.mapv(|v| 2.0 - v);
    let a = response("a", window.view(), 1.0).unwrap();
    let b = response("b", turned.view(), 1.0).unwrap();
    assert!((a.mtf50.value - b.mtf50.value).abs() < 1e-9);
    // A picture twice as large: the same edge at half the frequency of its own pixels.
    let twice = response("c", window.view(), 2.0).unwrap();
    assert!((twice.mtf50.value - 2.0 * a.mtf50.value).abs() < 1e-9);
    assert!(response("d", Array2::<f64>::zeros((40, 40)).view(), 1.0).is_none());
}

/// Unsharp masking of a Gaussian profile in closed form: E + amount (E - E wider), whose MTF and overshoot follow.
#[test]
fn sharpening_shows_as_overshoot_and_in_the_response() {
    let (sigma, radius, amount) = (0.6f64, 1.0f64, 0.6);
    let wide = (sigma * sigma + radius * radius).sqrt();
    let (a, b) = (edge(sigma, 5.0, false), edge(wide, 5.0, false));
    let sharpened = &a + &((&a - &b) * amount);
    let found = response("edge", sharpened.view(), 1.0).unwrap();
    let gauss = |s: f64, f: f64| (-2.0 * (PI * s * f).powi(2)).exp();
    let mtf = |f: f64| gauss(sigma, f) * (1.0 + amount) - amount * gauss(wide, f);
    let expected = (1..1000)
        .map(|i| f64::from(i) * 0.001)
        .find(|f| mtf(*f) < 0.5)
        .unwrap();
    assert!(
        (found.mtf50.value / expected - 1.0).abs() < 0.01,
        "{} {expected}",
        found.mtf50.value
    );
    let phi = |x: f64| 0.5 * (1.0 + libm::erf(x / 2f64.sqrt()));
    let over = (0..400)
        .map(|i| f64::from(i) * 0.01)
        .map(|d| (1.0 + amount) * phi(d / sigma) - amount * phi(d / wide) - 1.0)
        .fold(0.0, f64::max);
    assert!(
        (found.overshoot.value - over).abs() < 0.01,
        "{} {over}",
        found.overshoot.value
    );
    assert!((found.undershoot.value - over).abs() < 0.01);
}
