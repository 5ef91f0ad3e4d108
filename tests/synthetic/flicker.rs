//! Light that ripples down the rows of a frame, as under lamps on the mains: found with its amplitude, and not found where there is none.
use super::motion::{ROWS, bracket, known};
use std::f64::consts::{LN_2, TAU};
use stopspan_merge::banding;

/// Amplitude and cycles that a frame was given and those found, at 3 % and at 1 %.
#[test]
fn ripple_is_found_with_its_amplitude() {
    for (seed, (amplitude, cycles)) in [(0.03, 2.4), (0.03, 7.3), (0.03, 31.0), (0.01, 12.0)]
        .into_iter()
        .enumerate()
    {
        let light = |j: usize, r: usize, _: usize| {
            let turn = TAU * cycles * (r as f64 + 0.5) / ROWS as f64 + 0.7;
            if j == 2 {
                1.0 + amplitude * turn.sin()
            } else {
                1.0
            }
        };
        let bracket = bracket(&[-2.0, 0.0, 2.0], 300 + seed as u64, light);
        let found = banding::measure(&bracket, &known().0);
        assert_eq!((found[0], found[1]), (None, None), "{cycles}");
        let found = found[2].expect("found");
        println!("{amplitude} in {cycles} cycles: {found:?}");
        assert!((found.amplitude / amplitude - 1.0).abs() < 0.1, "{found:?}");
        assert!((found.cycles - cycles).abs() < 0.5, "{found:?}");
        // A sine's deviation is its amplitude over the root of 2; a stop is a factor of 2.
        assert!((found.stops() - found.amplitude / (2f64.sqrt() * LN_2)).abs() < 1e-12);
    }
}

/// Neither noise alone, nor one frame brighter than stated, nor a slow slope of the light, nor something that moves is ripple.
#[test]
fn no_ripple_is_found_where_there_is_none() {
    let changes: [fn(usize, usize, usize) -> f64; 4] = [
        |_, _, _| 1.0,
        |j, _, _| if j == 0 { 1.06 } else { 1.0 },
        |j, r, _| if j == 2 { 1.0 + 1e-4 * r as f64 } else { 1.0 },
        |j, r, c| {
            if (100..200).contains(&r) && c / 200 == j {
                0.5
            } else {
                1.0
            }
        },
    ];
    for seed in 0..4 {
        for (k, change) in changes.iter().enumerate() {
            let bracket = bracket(&[-2.0, 0.0, 2.0], 400 + seed, change);
            let found = banding::measure(&bracket, &known().0);
            assert!(
                found.iter().all(Option::is_none),
                "{k}, seed {seed}: {found:?}"
            );
        }
    }
}
