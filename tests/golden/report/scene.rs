//! Made-up pictures for the page: wedge strips with grain, a scene, and which frame weighs most in it.
use super::fixture::{STEPS, encoded, pictures};
use ndarray::{Array2, Array3};
use stopspan_core::raster::Point;
use stopspan_core::results::PictureKind;
use stopspan_report::figure::{Outline, Registered, Strip, log_display, strip};
use stopspan_report::{BracketFigures, Figures};

/// Noise that looks like noise and is the same every time: -1..1.
fn grain(row: usize, column: usize) -> f64 {
    let mut x = (row as u64) << 32 ^ (column as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    for _ in 0..3 {
        x ^= x >> 29;
        x = x.wrapping_mul(0xbf58_476d_1ce4_e5b9);
        x ^= x >> 32;
    }
    (x >> 11) as f64 / (1u64 << 52) as f64 - 1.0
}

/// Pictures for the page: strips with grain, a made-up scene, and which frame weighs most in it.
pub fn figures() -> Figures {
    let strips = pictures().into_iter().map(|p| {
        let pixel = |row: usize, column: usize| {
            let patch = &p.patches[(column / 40).min(STEPS - 1)];
            let noise = 1.7 * grain(row, column);
            let gray = match patch.code {
                Some(code) => (code[1] + noise * 2.5).clamp(0.0, 255.0) as u8,
                None => log_display(patch.linear + noise * patch.linear_deviation, 1.9, 10.5),
            };
            [gray; 3]
        };
        Some(Strip {
            rgb: strip(&p.patches, (50, 840), pixel)?,
            note: if p.kind == PictureKind::Merge {
                "shown logarithmic over 10.5 stops".into()
            } else {
                String::new()
            },
        })
    });
    Figures {
        brackets: vec![BracketFigures {
            crops: Vec::new(),
            strips: strips.collect(),
            preview: Some(scene()),
            source: Some(source()),
            ghosts: Some(scene()),
            registered: Some(registered()),
            views: Vec::new(),
        }],
        without_bracket: Vec::new(),
    }
}

/// The second frame as reference, the first 30 pixels to the right of it and 12 higher.
fn registered() -> Registered {
    let small = scene().slice(ndarray::s![..120, ..180, ..]).to_owned();
    let corners = |x: f64, y: f64| {
        let at = |a, b| Point { x: x + a, y: y + b };
        [
            at(0.0, 0.0),
            at(800.0, 0.0),
            at(800.0, 533.0),
            at(0.0, 533.0),
        ]
    };
    let outline = |frame, corners| Outline { frame, corners };
    Registered {
        reference: scene(),
        outlines: vec![
            outline(0, corners(30.0, -12.0)),
            outline(1, corners(0.0, 0.0)),
        ],
        moved: Some(scene()),
        left_out: vec![0.021, 0.0],
        detail: Some([small.clone(), small]),
    }
}

fn light(row: usize, column: usize) -> f64 {
    let (y, x) = (row as f64 / 533.0, column as f64 / 800.0);
    let lamp = (-((x - 0.75).powi(2) + (y - 0.25).powi(2)) * 30.0).exp();
    let table = if y > 0.62 {
        0.12 * (1.0 + 0.3 * (x * 40.0).sin())
    } else {
        0.3 * x
    };
    lamp + table
}

fn scene() -> Array3<u8> {
    Array3::from_shape_fn((533, 800, 3), |(r, c, k)| {
        let tint = [1.0, 0.93, 0.82][k];
        (encoded((light(r, c) * tint).powf(0.6)) + 2.0 * grain(r, c)).clamp(0.0, 255.0) as u8
    })
}

fn source() -> Array2<u8> {
    Array2::from_shape_fn((533, 800), |(r, c)| match light(r, c) {
        l if l > 0.97 => 255,
        l if l > 0.6 => 0,
        l if l > 0.3 => 1,
        _ => 2,
    })
}
