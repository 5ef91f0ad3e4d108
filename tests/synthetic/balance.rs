//! Colour balance between frames: a drift of known size is found and named, and none is where there is none.
use crate::published::srgb::to_level as srgb;
use ndarray::Array3;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use stopspan_core::finding::Finding;
use stopspan_core::model::Bracket;
use stopspan_core::raster::Pixels;
use stopspan_frames::clip_levels;
use stopspan_response::{Recovered, ResponseRequest, recover};

const SIZE: (usize, usize) = (240, 320);
const FULL_WELL: f64 = 9000.0;
const READ: f64 = 4.0;

/// How the camera encodes a share of saturation.
type Encoding = fn(f64) -> f64;

/// sRGB with an S-curve on top.
fn contrasty(x: f64) -> f64 {
    let y = srgb(x);
    0.45 * y + 0.55 * y * y * (3.0 - 2.0 * y)
}

/// log2 radiance: slow waves over nine stops, differently coloured from place to place.
fn scene(row: usize, column: usize, channel: usize) -> f64 {
    let (y, x) = (row as f64 / 40.0, column as f64 / 53.0);
    let light = 4.0 * (x.sin() * (0.7 * y).cos()) + 1.2 * (1.9 * y + 0.8 * x).sin() - 3.0;
    light + 0.5 * (0.6 * x + 1.1 * y + 2.1 * channel as f64).sin()
}

/// Frames of the scene at `stops`, whose channels received `gains` (factors) beyond that.
fn bracket(encoding: Encoding, stops: &[f64], gains: &[[f64; 3]], seed: u64) -> Bracket {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let normal = Normal::new(0.0, 1.0).unwrap();
    let mut frames = Vec::new();
    for (stop, gain) in stops.iter().zip(gains) {
        let codes = Array3::from_shape_fn((SIZE.0, SIZE.1, 3), |(r, c, k)| {
            let electrons = FULL_WELL * 0.5 * (scene(r, c, k) + stop).exp2() * gain[k];
            let noisy = electrons + (electrons + READ * READ).sqrt() * normal.sample(&mut random);
            let level = encoding((noisy / FULL_WELL).clamp(0.0, 1.0));
            (255.0 * level).round() as u8
        });
        let mut frame = super::texture::frame(codes.clone(), stop.exp2());
        frame.picture.pixels = Pixels::U8(codes);
        frames.push(frame);
    }
    Bracket {
        name: "balance".into(),
        reference: stops.iter().position(|&s| s == 0.0).unwrap(),
        frames,
        camera_hdr: None,
        findings: Vec::new(),
    }
}

fn recovered(bracket: &Bracket, choice: ResponseRequest) -> Recovered {
    recover(bracket, &clip_levels(bracket), None, choice).unwrap()
}

/// Frames named, with red and blue in stops.
fn named(found: &Recovered) -> Vec<(String, f64, f64)> {
    let drift = |f: &Finding| match f {
        Finding::BalanceDrift {
            frame,
            red_stops,
            blue_stops,
            ..
        } => Some((frame.clone(), *red_stops, *blue_stops)),
        _ => None,
    };
    found.findings.iter().filter_map(drift).collect()
}

const NONE: [f64; 3] = [1.0; 3];
/// +4 % red, -3 % blue.
const WARM: [f64; 3] = [1.04, 1.0, 0.97];

#[test]
fn a_clean_bracket_shows_no_drift() {
    let cases: [(Encoding, &[f64]); 5] = [
        (srgb, &[-2.0, 0.0, 2.0]),
        (srgb, &[0.0, 2.0]),
        (contrasty, &[-1.0, 0.0, 1.0]),
        (contrasty, &[-3.0, 0.0, 3.0]),
        (contrasty, &[-2.0, -1.0, 0.0, 1.0, 2.0]),
    ];
    for (i, (encoding, stops)) in cases.into_iter().enumerate() {
        let bracket = bracket(encoding, stops, &vec![NONE; stops.len()], i as u64);
        let found = recovered(&bracket, ResponseRequest::Fit);
        assert_eq!(named(&found), [], "case {i}");
        let still = found.balance.iter().flatten().all(|b| b.value == 0.0);
        assert!(still, "case {i}");
    }
}

/// A response that is not the frames' own makes ratios hang on the level, and the colours of the scene put the channels at
/// different levels: that is no drift.
#[test]
fn a_false_response_is_not_taken_for_drift() {
    for encoding in [srgb as Encoding, contrasty] {
        let bracket = bracket(encoding, &[-2.0, 0.0, 2.0], &[NONE; 3], 11);
        for choice in [
            ResponseRequest::Linear,
            ResponseRequest::Srgb,
            ResponseRequest::Polynomial,
        ] {
            let named = named(&recovered(&bracket, choice));
            assert_eq!(named, [], "{choice:?}");
        }
    }
}

/// Every frame of the bracket in turn, fitted and linear; what is found lies within four of its own standard
/// uncertainties and 0.012 stop, and green stays.
#[test]
fn a_drift_is_found_where_it_is() {
    let cases: [(Encoding, &[f64], ResponseRequest); 4] = [
        (contrasty, &[-2.0, 0.0, 2.0], ResponseRequest::Fit),
        (srgb, &[0.0, 2.0], ResponseRequest::Fit),
        (srgb, &[-2.0, -1.0, 0.0, 1.0, 2.0], ResponseRequest::Fit),
        (|x| x, &[-2.0, 0.0, 2.0], ResponseRequest::Linear),
    ];
    for (i, (encoding, stops, choice)) in cases.into_iter().enumerate() {
        for (drifting, stop) in stops.iter().enumerate() {
            let mut gains = vec![NONE; stops.len()];
            gains[drifting] = WARM;
            let bracket = bracket(encoding, stops, &gains, 20 + i as u64);
            let found = recovered(&bracket, choice);
            assert!(!named(&found).is_empty(), "case {i}, {stop}");
            for (j, balance) in found.balance.iter().enumerate() {
                for (c, b) in balance.iter().enumerate() {
                    // Of two frames the reference is right, of more the majority.
                    let right = match stops.len() {
                        2 => gains[bracket.reference][c],
                        _ => 1.0,
                    };
                    let wanted = (gains[j][c] / right).log2();
                    let away = (b.value - wanted).abs();
                    let allowed = (4.0 * b.standard_uncertainty).min(0.012);
                    assert!(away <= allowed, "case {i}, {stop}, {j} {c}: {b:?} {wanted}");
                }
            }
        }
    }
}
