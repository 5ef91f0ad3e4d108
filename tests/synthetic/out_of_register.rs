//! Frames with more than one motion are said to be out of register.
use super::texture::{Camera, Texture};
use ndarray::{Array3, s};
use stopspan_align::register;
use stopspan_core::finding::Finding;
use stopspan_core::model::{Bracket, Frame};
use stopspan_core::model::{MotionModel, Registration};
use stopspan_core::raster::{Pixels, Transform};

fn bracket(frames: Vec<Frame>, reference: usize) -> Bracket {
    Bracket::new("out of register", frames, reference)
}

const CAMERA: Camera = Camera {
    size: (320, 448),
    full_well: 9000.0,
    read: 4.0,
};

fn codes(frame: &Frame) -> &Array3<u8> {
    match &frame.picture.pixels {
        Pixels::U8(codes) => codes,
        _ => panic!("8-bit"),
    }
}

/// (tiles, largest) of the finding, where there is one.
fn out_of_register(found: &Registration) -> Option<(usize, f64)> {
    found.findings.iter().find_map(|f| match f {
        Finding::OutOfRegister {
            tiles, largest_px, ..
        } => Some((*tiles, *largest_px)),
        _ => None,
    })
}

/// Something near that moved by 2.5 pixels before a background that did not (parallax).
#[test]
fn parallax_is_said() {
    for seed in 0..4 {
        let scene = Texture::new(400 + seed, 40, 0.25, 1.2);
        let first = CAMERA.capture(&scene, &Transform::IDENTITY, 0.25, seed);
        let mut second = CAMERA.capture(&scene, &Transform::IDENTITY, 0.5, seed + 50);
        let near = CAMERA.capture(&scene, &Transform::shift(2.5, 0.0), 0.5, seed + 90);
        let part = s![100..230, 150..290, ..];
        let mut mixed = codes(&second).clone();
        mixed.slice_mut(part).assign(&codes(&near).slice(part));
        second.picture.pixels = Pixels::U8(mixed);
        let found = register(&bracket(vec![first.clone(), second], 0));
        assert_eq!(found.placements[1].model, MotionModel::Identity);
        let (tiles, largest) = out_of_register(&found).expect("said");
        assert!(
            tiles >= 4 && (2.3..2.8).contains(&largest),
            "{tiles} {largest}"
        );
        // The same frame without it is not said to be out of register.
        let whole = CAMERA.capture(&scene, &Transform::IDENTITY, 0.5, seed + 50);
        assert_eq!(
            out_of_register(&register(&bracket(vec![first, whole], 0))),
            None
        );
    }
}

/// Rows read one after another while the camera shook by 1.5 pixels: no plane describes that.
#[test]
fn a_rolling_shutter_is_said() {
    let scene = Texture::new(77, 40, 0.25, 1.2);
    let first = CAMERA.capture(&scene, &Transform::IDENTITY, 0.25, 1);
    let shaken: Vec<Frame> = (0..=12)
        .map(|k| {
            let by = 0.25 * f64::from(k) - 1.5;
            CAMERA.capture(&scene, &Transform::shift(by, 0.0), 0.5, 2 + k as u64)
        })
        .collect();
    let mut second = shaken[0].clone();
    let mut mixed = codes(&second).clone();
    let rows = CAMERA.size.0;
    for row in 0..rows {
        let turn = std::f64::consts::TAU * 2.0 * row as f64 / rows as f64;
        let k = ((1.5 * turn.sin() + 1.5) / 0.25).round() as usize;
        mixed
            .slice_mut(s![row, .., ..])
            .assign(&codes(&shaken[k]).slice(s![row, .., ..]));
    }
    second.picture.pixels = Pixels::U8(mixed);
    let found = register(&bracket(vec![first, second], 0));
    let refused = !found.placements[1].found;
    assert!(
        refused || out_of_register(&found).is_some(),
        "{:?}",
        found.findings
    );
    assert!(!found.findings.is_empty(), "nothing is said");
}
