//! Correlated colour temperature of a chromaticity (Robertson 1968).

/// Isotemperature lines: reciprocal megakelvin, CIE 1960 u and v on the Planckian locus, slope. The table of
/// Robertson (1968) as in the colour-science library 0.4.7.
const LINES: [(f64, f64, f64, f64); 31] = [
    (0.0, 0.18006, 0.26352, -0.24341),
    (10.0, 0.18066, 0.26589, -0.25479),
    (20.0, 0.18133, 0.26846, -0.26876),
    (30.0, 0.18208, 0.27119, -0.28539),
    (40.0, 0.18293, 0.27407, -0.3047),
    (50.0, 0.18388, 0.27709, -0.32675),
    (60.0, 0.18494, 0.28021, -0.35156),
    (70.0, 0.18611, 0.28342, -0.37915),
    (80.0, 0.1874, 0.28668, -0.40955),
    (90.0, 0.1888, 0.28997, -0.44278),
    (100.0, 0.19032, 0.29326, -0.47888),
    (125.0, 0.19462, 0.30141, -0.58204),
    (150.0, 0.19962, 0.30921, -0.70471),
    (175.0, 0.20525, 0.31647, -0.84901),
    (200.0, 0.21142, 0.32312, -1.0182),
    (225.0, 0.21807, 0.32909, -1.2168),
    (250.0, 0.22511, 0.33439, -1.4512),
    (275.0, 0.23247, 0.33904, -1.7298),
    (300.0, 0.2401, 0.34308, -2.0637),
    (325.0, 0.24792, 0.34655, -2.4681),
    (350.0, 0.25591, 0.34951, -2.9641),
    (375.0, 0.264, 0.352, -3.5814),
    (400.0, 0.27218, 0.35407, -4.3633),
    (425.0, 0.28039, 0.35577, -5.3762),
    (450.0, 0.28863, 0.35714, -6.7262),
    (475.0, 0.29685, 0.35823, -8.5955),
    (500.0, 0.30505, 0.35907, -11.324),
    (525.0, 0.3132, 0.35968, -15.628),
    (550.0, 0.32129, 0.36011, -23.325),
    (575.0, 0.32931, 0.36038, -40.77),
    (600.0, 0.33724, 0.36051, -116.45),
];

/// Correlated colour temperature of a CIE 1931 chromaticity, kelvin, limited to 1667 K..100 000 K.
pub fn correlated_temperature([x, y]: [f64; 2]) -> f64 {
    let below = 12.0 * y - 2.0 * x + 3.0;
    let (u, v) = (4.0 * x / below, 6.0 * y / below);
    let distance = |&(_, lu, lv, slope): &(f64, f64, f64, f64)| {
        ((v - lv) - slope * (u - lu)) / (1.0 + slope * slope).sqrt()
    };
    let between = LINES.windows(2).find_map(|pair| {
        let (a, b) = (distance(&pair[0]), distance(&pair[1]));
        (a >= 0.0 && b < 0.0).then(|| pair[0].0 + a / (a - b) * (pair[1].0 - pair[0].0))
    });
    let bluest = distance(&LINES[0]) < 0.0;
    let reciprocal = between.unwrap_or(if bluest { 10.0 } else { 600.0 });
    1e6 / reciprocal.clamp(10.0, 600.0)
}

/// Colour temperature of a LightSource of EXIF (Exif 2.32, tag 0x9208; standard illuminants by CIE, fluorescent lamps
/// by their nominal colours), kelvin. `None` for a light source of unspecified colour.
pub fn temperature_of(light_source: u64) -> Option<f64> {
    Some(match light_source {
        1 | 4 | 9 | 18 | 20 => 5500.0,
        2 => 4150.0,
        3 | 17 => 2856.0,
        10 | 19 | 21 => 6504.0,
        11 | 22 => 7504.0,
        12 => 6400.0,
        13 => 5050.0,
        14 => 4150.0,
        15 => 3525.0,
        16 => 2925.0,
        23 => 5003.0,
        24 => 3200.0,
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// CIE 15: correlated colour temperatures of the standard illuminants A, D50, D55, D65, D75 are 2856, 5003, 5503,
    /// 6504 and 7504 K (rounded); the interpolation is accurate to 0.2 %.
    #[test]
    fn standard_illuminants_have_their_temperatures() {
        for (xy, kelvin) in [
            ([0.44757, 0.40745], 2856.0),
            ([0.34567, 0.35850], 5003.0),
            ([0.33242, 0.34743], 5503.0),
            ([0.31272, 0.32903], 6504.0),
            ([0.29902, 0.31485], 7504.0),
        ] {
            let found = correlated_temperature(xy);
            assert!((found / kelvin - 1.0).abs() < 2e-3, "{xy:?}: {found}");
        }
        assert_eq!(correlated_temperature([0.24, 0.23]), 1e5);
        assert!((correlated_temperature([0.60, 0.38]) - 1e6 / 600.0).abs() < 1.0);
    }
}
