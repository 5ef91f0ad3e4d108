//! Double edges by shake: a second exposure of known displacement is found, and a single one is not taken for two.
use super::comparison::{SIGMA, curve, of_texture, textured};
use stopspan_core::results::DoubleEdges;

/// What is found in a picture of the texture of which `share` is displaced by `shift` (columns, rows), under a blur of `sigma`.
fn found(shift: (f64, f64), share: f64, sigma: f64, noise: f64) -> DoubleEdges {
    let own = |r: usize, c: usize| {
        let (y, x) = (r as f64, c as f64);
        let second = textured(y - shift.1, x - shift.0, sigma);
        (1.0 - share) * curve(textured(y, x, sigma)) + share * curve(second)
    };
    of_texture(own, noise).double_edges.unwrap()
}

/// The second image's displacement, turned to the side of the true one, which of two images as strong is not known.
fn second(shift: (f64, f64), share: f64) -> (f64, f64, f64) {
    let found = found(shift, share, SIGMA.0, 0.8);
    let Some(second) = &found.second else {
        panic!("{shift:?} {share}: {found:?}");
    };
    assert!(2 * second.places >= found.judged, "{found:?}");
    let (x, y) = (second.shift.x, second.shift.y);
    let sign = if share == 0.5 && x * shift.0 + y * shift.1 < 0.0 {
        -1.0
    } else {
        1.0
    };
    (sign * x, sign * y, second.strength.value)
}

#[test]
fn a_second_exposure_is_found_where_it_lies() {
    for (shift, share) in [
        ((5.0, 0.0), 0.5),
        ((-4.5, -4.5), 0.4),
        ((5.0, -3.0), 0.25),
        ((0.0, 6.0), 0.4),
        ((-6.0, 0.5), 0.35),
        ((7.0, 6.0), 0.3),
    ] {
        let (x, y, strength) = second(shift, share);
        let off = (x - shift.0).hypot(y - shift.1);
        assert!(off < 0.4, "{shift:?} {share}: {x} {y}");
        let expected = share / (1.0 - share);
        assert!((strength - expected).abs() < 0.12, "{expected}: {strength}");
    }
}

/// Nearer than five pixels the peaks overlap in this soft texture and draw each other nearer: the direction is right, the
/// distance up to a quarter short, and below three and a half pixels both are one with the blur.
#[test]
fn a_near_second_exposure_is_found_on_its_side() {
    for (shift, share) in [
        ((4.0, 0.0), 0.5),
        ((0.0, -3.5), 0.4),
        ((-4.0, 1.5), 0.45),
        ((3.0, -3.0), 0.4),
        ((-3.5, -3.5), 0.4),
    ] {
        let (x, y, _) = second(shift, share);
        let length = shift.0.hypot(shift.1);
        let ratio = x.hypot(y) / length;
        assert!((0.75..1.05).contains(&ratio), "{shift:?} {share}: {x} {y}");
        let along = (x * shift.0 + y * shift.1) / (x.hypot(y) * length);
        assert!(
            along > 10f64.to_radians().cos(),
            "{shift:?} {share}: {x} {y}"
        );
    }
}

/// Sharper, softer, noisier, displaced as a whole: one image each time.
#[test]
fn a_single_exposure_is_not_taken_for_two() {
    for (sigma, noise, whole) in [
        (0.6, 0.8, (0.0, 0.0)),
        (0.9, 0.8, (0.0, 0.0)),
        (1.5, 0.8, (0.0, 0.0)),
        (0.9, 3.0, (0.0, 0.0)),
        (0.9, 0.8, (0.4, 0.3)),
        (0.6, 0.8, (-0.5, 0.5)),
    ] {
        let found = found(whole, 1.0, sigma, noise);
        assert!(found.judged >= 4, "{found:?}");
        assert!(
            found.second.is_none(),
            "{sigma} {noise} {whole:?}: {found:?}"
        );
    }
}

/// Motion blur over three and five pixels is one image, drawn out; and two exposures a pixel apart are one with the blur.
#[test]
fn motion_blur_is_one_image() {
    for length in [3.0, 5.0] {
        let own = |r: usize, c: usize| {
            let along = |i: u32| length * (f64::from(i) / 8.0 - 0.5);
            let seen = |i| textured(r as f64, c as f64 + along(i), SIGMA.1);
            curve((0..9).map(seen).sum::<f64>() / 9.0)
        };
        let found = of_texture(own, 0.8).double_edges.unwrap();
        assert!(
            found.judged >= 4 && found.second.is_none(),
            "{length}: {found:?}"
        );
    }
    assert!(found((1.0, 0.0), 0.5, SIGMA.0, 0.8).second.is_none());
}
