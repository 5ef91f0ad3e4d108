//! The transfer function of sRGB (IEC 61966-2-1:1999), bit for bit the same on every machine.

/// Relative linear light of an sRGB-encoded level, both 0..=1.
pub fn srgb_exposure(level: f64) -> f64 {
    if level <= 0.04045 {
        level / 12.92
    } else {
        libm::pow((level + 0.055) / 1.055, 2.4)
    }
}

/// sRGB-encoded level of relative linear light, both 0..=1.
pub fn srgb_level(exposure: f64) -> f64 {
    if exposure <= 0.003_130_8 {
        12.92 * exposure
    } else {
        1.055 * libm::pow(exposure, 1.0 / 2.4) - 0.055
    }
}
