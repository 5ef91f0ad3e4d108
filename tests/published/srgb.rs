//! The transfer function of IEC 61966-2-1:1999 from its formulas, so that tests of what uses the library's do not lean on it.
use stopspan_core::units::{srgb_exposure, srgb_level};
use stopspan_simulate::CameraCurve;

/// Relative linear light of an encoded level, both 0..=1.
pub fn to_linear(level: f64) -> f64 {
    match level {
        level if level <= 0.04045 => level / 12.92,
        level => ((level + 0.055) / 1.055).powf(2.4),
    }
}

/// Encoded level of relative linear light, both 0..=1.
pub fn to_level(light: f64) -> f64 {
    match light {
        light if light <= 0.003_130_8 => 12.92 * light,
        light => 1.055 * light.powf(1.0 / 2.4) - 0.055,
    }
}

/// The library's own, and the simulated camera's, at every 16-bit code: within rounding of the standard's.
#[test]
fn the_library_and_the_simulator_have_the_function_of_the_standard() {
    for code in 0..=65_535u32 {
        let value = f64::from(code) / 65_535.0;
        assert!(
            (srgb_exposure(value) - to_linear(value)).abs() < 1e-14,
            "{value}"
        );
        for level in [srgb_level(value), CameraCurve::Srgb.level(value)] {
            assert!((level - to_level(value)).abs() < 1e-14, "{value}");
        }
    }
}

/// To seven decimals, computed by Python from the same formulas.
#[test]
fn levels_have_their_values() {
    for (light, level) in [
        (0.003_130_8, 0.040_449_9),
        (0.01, 0.099_852_8),
        (0.18, 0.461_356_1),
        (0.5, 0.735_357_0),
    ] {
        assert!((to_level(light) - level).abs() < 6e-8, "{light}");
    }
}

/// The two formulas are each other's inverse; the standard's rounded constants leave a step of 3e-8 of light at the join.
#[test]
fn the_formulas_belong_together() {
    for code in 0..=65_535u32 {
        let level = f64::from(code) / 65_535.0;
        assert!((to_level(to_linear(level)) - level).abs() < 1e-6, "{level}");
    }
    assert_eq!((to_linear(0.0), to_linear(1.0)), (0.0, 1.0));
}
