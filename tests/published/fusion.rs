//! What exposure fusion (Mertens, Kautz and Van Reeth 2007) keeps of the scene, and what it does not promise: held against
//! the same wedge and step edges as the operators of a map.
use super::srgb::to_level;
use ndarray::{Array3, s};
use stopspan_core::raster::Pixels;
use stopspan_core::units::Primaries;
use stopspan_tone::OutputColour;
use stopspan_tone::fusion::{FusedFrame, fuse};

/// Frames two stops apart of a scene of one hue with a trace of texture, encoded after IEC 61966-2-1 to 8 bits, fused. Without
/// colour and texture no frame would have any weight, and the result be their mean.
fn fused(rows: usize, columns: usize, light: impl Fn(usize, usize) -> f64) -> Array3<u16> {
    let frames: Vec<Pixels> = [0.25, 1.0, 4.0]
        .map(|exposure| {
            Pixels::U8(Array3::from_shape_fn((rows, columns, 3), |(r, c, k)| {
                let texture = if (r / 2 + c / 2) % 2 == 0 { 1.05 } else { 0.95 };
                let light = light(r, c) * texture * [1.0, 0.9, 0.7][k];
                (255.0 * to_level((exposure * light).min(1.0))).round() as u8
            }))
        })
        .into();
    let frames: Vec<FusedFrame> = frames
        .iter()
        .map(|pixels| FusedFrame {
            pixels,
            transform: None,
        })
        .collect();
    fuse(&frames, Primaries::SRGB, OutputColour::Srgb)
}

/// Means of the patches of a wedge 0.15 density a step on mid grey, in 8-bit codes.
fn wedge(steps: usize) -> Vec<f64> {
    let picture = fused(240, 40 * steps + 80, |r, c| {
        let inside = (80..160).contains(&r) && (40..40 * steps + 40).contains(&c);
        if inside {
            10f64.powf(-0.05 - 0.15 * ((c - 40) / 40) as f64)
        } else {
            0.18
        }
    });
    (0..steps)
        .map(|i| {
            let at = 40 + 40 * i;
            let patch = picture.slice(s![100..140, at + 10..at + 30, 1]);
            patch.iter().map(|&v| f64::from(v)).sum::<f64>() / (257.0 * patch.len() as f64)
        })
        .collect()
}

#[test]
fn the_order_of_a_wedge_under_fusion() {
    let codes = wedge(21);
    let turned = codes.windows(2).filter(|p| p[0] < p[1]).count();
    println!("{turned} of 20 steps turned: {codes:.1?}");
    assert_eq!(turned, 0, "{codes:.1?}");
}

/// Departure from the plateau beside a clean step edge as a share of the edge's contrast in codes.
fn halo(stops: f64) -> f64 {
    let picture = fused(
        400,
        1000,
        |_, c| if c < 500 { 0.5 } else { 0.5 * (-stops).exp2() },
    );
    // means over whole periods of the texture
    let row: Vec<f64> = (0..250)
        .map(|i| {
            let window = picture.slice(s![180..220, 4 * i..4 * i + 4, 1]);
            window.iter().map(|&v| f64::from(v)).sum::<f64>() / window.len() as f64
        })
        .collect();
    let (light, dark) = (row[15], row[235]);
    let departs =
        |part: &[f64], level: f64| part.iter().map(|v| (v - level).abs()).fold(0.0, f64::max);
    departs(&row[..125], light).max(departs(&row[125..], dark)) / (light - dark)
}

/// The method blends bands of the whole picture, so light and dark spread into each other beside an edge: nothing like the
/// 2 % that the operators of a map are held to. The guide for users says so; should this fail, it may say better.
#[test]
fn fusion_spreads_beside_a_step_edge() {
    let shares = [1.5, 2.0, 3.0].map(halo);
    println!("departure beside an edge over its contrast: {shares:.2?}");
    assert!(shares.iter().all(|s| s.abs() > 0.02), "{shares:?}");
}
