//! Views of a made-up subject with a known homography between them.
use super::*;
use ndarray::Array3;

/// Light of a subject made of many discs, at a place of a plane; 0..=1.
fn subject(discs: &[[f64; 4]], p: Point) -> f64 {
    let mut light = 0.35;
    for [x, y, radius, level] in discs {
        if (p.x - x).hypot(p.y - y) < *radius {
            light = *level;
        }
    }
    light
}

fn discs(seed: u64) -> Vec<[f64; 4]> {
    use rand::Rng;
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
    let mut draw = |low: f64, high: f64| low + (high - low) * random.random::<f64>();
    (0..180)
        .map(|_| {
            [
                draw(-100.0, 740.0),
                draw(-100.0, 580.0),
                draw(4.0, 26.0),
                draw(0.02, 0.98),
            ]
        })
        .collect()
}

/// A picture of `size` (columns, rows): every pixel shows the subject at `back` of its place, with an exponent as its tone.
fn view(
    discs: &[[f64; 4]],
    (columns, rows): (usize, usize),
    back: &Homography,
    tone: f64,
) -> Pixels {
    Pixels::U8(Array3::from_shape_fn((rows, columns, 3), |(r, c, _)| {
        let p = Point {
            x: c as f64 + 0.5,
            y: r as f64 + 0.5,
        };
        let light = subject(discs, back.map(p));
        let grain = ((r * 7919 + c * 104_729) % 97) as f64 / 97.0 - 0.5;
        (255.0 * light.powf(tone) + 6.0 * grain).clamp(0.0, 255.0) as u8
    }))
}

/// Scale, rotation, shift and a little perspective, from the subject to the second picture.
fn camera(scale: f64, degrees: f64) -> Homography {
    let (s, c) = degrees.to_radians().sin_cos();
    Homography::of_rows([
        [scale * c, -scale * s, 40.0],
        [scale * s, scale * c, -25.0],
        [4e-5, -2e-5, 1.0],
    ])
    .unwrap()
}

#[test]
fn a_place_is_carried_to_another_camera() {
    let discs = discs(3);
    let first = view(&discs, (640, 480), &Homography::identity(), 1.0);
    for (scale, degrees, tone) in [(1.0, 2.0, 0.6), (0.6, -5.0, 1.6), (1.9, 4.0, 0.8)] {
        let map = camera(scale, degrees);
        let size = ((700.0 * scale) as usize, (520.0 * scale) as usize);
        let second = view(&discs, size, &map.inverse().unwrap(), tone);
        let found = register_views(&first, &second).unwrap();
        for place in [(320.0, 240.0), (150.0, 120.0), (500.0, 380.0)] {
            let place = Point {
                x: place.0,
                y: place.1,
            };
            let truth = map.map(place);
            let carried = found.carry(place).unwrap();
            let off = distance(carried.at, truth);
            assert!(
                off < 1.5 * scale.max(1.0),
                "{scale} {place:?}: {off} px off"
            );
            assert!(
                (carried.scale / scale - 1.0).abs() < 0.08,
                "{carried:?} {scale}"
            );
        }
    }
}

#[test]
fn another_subject_is_refused() {
    let first = view(&discs(3), (640, 480), &Homography::identity(), 1.0);
    for seed in [4, 5, 6] {
        let other = view(&discs(seed), (640, 480), &Homography::identity(), 1.0);
        let refused = register_views(&first, &other).unwrap_err();
        assert!(refused.agreeing < refused.needed, "{refused:?}");
    }
    let plain = Pixels::U8(Array3::from_elem((480, 640, 3), 120));
    assert!(register_views(&first, &plain).is_err());
}

#[test]
fn nothing_is_carried_where_no_match_supports_it() {
    let discs = discs(3);
    let first = view(&discs, (640, 480), &Homography::identity(), 1.0);
    // The second camera sees the left half only.
    let map = camera(1.0, 0.0);
    let second = view(&discs, (330, 480), &map.inverse().unwrap(), 1.0);
    let found = register_views(&first, &second).unwrap();
    assert!(found.carry(Point { x: 150.0, y: 240.0 }).is_some());
    assert!(found.carry(Point { x: 630.0, y: 20.0 }).is_none());
}
