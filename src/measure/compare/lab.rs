//! CIE 1976 L*a*b* (ISO/CIE 11664-4) of linear light in the primaries of IEC 61966-2-1.
use super::colour_difference::Lab;

/// CIE XYZ of illuminant D65 for the 2 degree observer, Y = 1: linear R = G = B = 1 in IEC 61966-2-1.
pub const D65: [f64; 3] = [0.950_455_927_051_671_6, 1.0, 1.089_057_750_759_878_4];

/// Linear R, G, B of IEC 61966-2-1 to XYZ, from the chromaticities of its primaries and white.
const TO_XYZ: [[f64; 3]; 3] = [
    [
        0.412_390_799_265_959_3,
        0.357_584_339_383_877_96,
        0.180_480_788_401_834_3,
    ],
    [
        0.212_639_005_871_510_4,
        0.715_168_678_767_755_9,
        0.072_192_315_360_733_72,
    ],
    [
        0.019_330_818_715_591_85,
        0.119_194_779_794_625_98,
        0.950_532_152_249_660_6,
    ],
];

/// XYZ of linear R, G, B (IEC 61966-2-1), white being 1.
pub fn xyz([r, g, b]: [f64; 3]) -> [f64; 3] {
    TO_XYZ.map(|row| row[0] * r + row[1] * g + row[2] * b)
}

/// L*a*b* of XYZ against a white of the same scale.
pub fn lab(xyz: [f64; 3], white: [f64; 3]) -> Lab {
    let [x, y, z] = [0, 1, 2].map(|i| root(xyz[i] / white[i]));
    [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
}

/// Cube root with the linear segment near black.
fn root(ratio: f64) -> f64 {
    const EDGE: f64 = 216.0 / 24389.0;
    if ratio > EDGE {
        ratio.cbrt()
    } else {
        (24389.0 / 27.0 * ratio + 16.0) / 116.0
    }
}
