//! The grayscale standard display function of DICOM PS3.14 (Barten's contrast sensitivity, in just-noticeable differences).

/// Luminance in cd/m^2 at a just-noticeable-difference index 1..=1023 (DICOM PS3.14, section 7).
pub fn luminance_of_jnd(index: f64) -> f64 {
    const OVER: [f64; 5] = [
        -1.3011877,
        8.0242636e-2,
        1.3646699e-1,
        -2.5468404e-2,
        1.3635334e-3,
    ];
    const UNDER: [f64; 5] = [
        -2.5840191e-2,
        -1.0320229e-1,
        2.8745620e-2,
        -3.1978977e-3,
        1.2992634e-4,
    ];
    let x = index.max(1.0).ln();
    let over = OVER[0] + x * (OVER[1] + x * (OVER[2] + x * (OVER[3] + x * OVER[4])));
    let under =
        1.0 + x * (UNDER[0] + x * (UNDER[1] + x * (UNDER[2] + x * (UNDER[3] + x * UNDER[4]))));
    10f64.powf(over / under)
}

/// Just-noticeable-difference index of a luminance in cd/m^2 (DICOM PS3.14, section 7, the inverse polynomial). Luminances
/// are clamped to the standard's range, 0.05..=3993.404 cd/m^2.
pub fn jnd_index(luminance: f64) -> f64 {
    const POWERS: [f64; 9] = [
        71.498068,
        94.593053,
        41.912053,
        9.8247004,
        0.28175407,
        -1.1878455,
        -0.18014349,
        0.14710899,
        -0.017046845,
    ];
    let x = luminance.clamp(0.05, 3993.404).log10();
    POWERS.iter().rev().fold(0.0, |sum, c| sum * x + c)
}
