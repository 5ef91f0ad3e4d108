//! The default look on simulated scenes: edges, gradients, noise, colour, and the anchor at the metered frame.
//!
//! Lightness is CIE L* of CIE 15 (D65), decoded after IEC 61966-2-1. Limits are the project's own: no standard has any.
use super::srgb::to_linear;
use ndarray::{Array2, Array3};
use stopspan_core::model::{RadianceMap, ReferenceTones};
use stopspan_core::units::Primaries;
use stopspan_tone::{ToneSettings, render};

fn map(radiance: Array3<f32>) -> RadianceMap {
    RadianceMap::of_radiance(radiance, Primaries::SRGB)
}

/// L* of every pixel of a rendering.
fn lightness(map: &RadianceMap, settings: &ToneSettings) -> Array2<f64> {
    let picture = render(map, settings);
    let (rows, columns, _) = picture.dim();
    Array2::from_shape_fn((rows, columns), |(r, c)| {
        let light = |k: usize| to_linear(f64::from(picture[[r, c, k]]) / 65535.0);
        lightness_of(0.2126 * light(0) + 0.7152 * light(1) + 0.0722 * light(2))
    })
}

fn lightness_of(y: f64) -> f64 {
    if y > 216.0 / 24389.0 {
        116.0 * y.cbrt() - 16.0
    } else {
        24389.0 / 27.0 * y
    }
}

/// A step of some stops below a strip of all tones, so that the scene has more than two.
fn step(stops: f32, columns: usize) -> RadianceMap {
    let edge = columns / 2 + 3;
    map(Array3::from_shape_fn(
        (columns * 2 / 5, columns, 1),
        |(r, c, _)| match c < edge {
            _ if r < columns / 10 => (10.0 * c as f32 / columns as f32 - 8.0).exp2(),
            true => 0.5,
            false => 0.5 * (-stops).exp2(),
        },
    ))
}

/// Steps of a stop or less are texture to the filter, which the eye takes for sharpness: a fifth of a stop of L* 18, 3.5 L*.
const TEXTURE: f64 = 0.2;

#[test]
fn overshoot_beside_steps_is_small() {
    for columns in [900, 2400] {
        for (stops, most) in [
            (0.5, TEXTURE),
            (1.0, TEXTURE),
            (2.0, 0.08),
            (3.0, 0.06),
            (4.0, 0.06),
            (6.0, 0.06),
            (9.0, 0.06),
        ] {
            let seen = lightness(&step(stops, columns), &ToneSettings::default());
            let row = seen.row(columns * 3 / 10);
            let edge = columns / 2 + 3;
            let (light, dark) = (row[columns / 16], row[columns - columns / 16]);
            let off = |at: usize| {
                let own = if at < edge { light } else { dark };
                // The pixels at the edge itself belong to both sides.
                if at.abs_diff(edge) > columns / 900 + 1 {
                    (row[at] - own).abs()
                } else {
                    0.0
                }
            };
            let beyond = |at: usize| (row[at] - light).max(dark - row[at]).max(0.0);
            let off = (0..columns)
                .map(|at| off(at).max(beyond(at)))
                .fold(0.0, f64::max);
            let share = off / (light - dark);
            println!(
                "{columns} px, {stops} stops: {off:.1} L*, {:.1} %",
                100.0 * share
            );
            assert!(share <= most, "{columns} px, {stops} stops: {share:.3}");
        }
    }
}

#[test]
fn gradients_of_a_sky_rise_throughout() {
    for columns in [700, 2100] {
        // Seven stops of sky from left to right over a dark, textured ground.
        let scene = map(Array3::from_shape_fn(
            (columns / 2, columns, 3),
            |(r, c, k)| {
                if r > columns / 3 {
                    0.01 * (1.0 + ((r / 5 + c / 7) % 4) as f32)
                } else {
                    (7.0 * c as f32 / columns as f32 - 5.0 + 0.1 * k as f32).exp2()
                }
            },
        ));
        let seen = lightness(&scene, &ToneSettings::default());
        for row in [10, columns / 8, columns / 4] {
            for (c, pair) in seen.row(row).windows(2).into_iter().enumerate() {
                assert!(
                    pair[1] > pair[0] - 0.02,
                    "{columns} px, row {row}, column {c}: {pair}"
                );
            }
        }
    }
}

/// Variation of light, texture and a bright window over seven stops.
fn room(rows: usize, columns: usize) -> Array3<f32> {
    Array3::from_shape_fn((rows, columns, 3), |(r, c, k)| {
        let (y, x) = (r as f32 / rows as f32, c as f32 / columns as f32);
        let window = if y < 0.3 && x > 0.7 { 4.0 } else { 0.0 };
        let texture = 0.5 * (((r / 3) * 31 + (c / 3) * 17 + k) % 7) as f32 / 7.0;
        (2.0 * (5.0 * x).sin() * (4.0 * y).cos() + texture + window - 3.5).exp2()
    })
}

#[test]
fn mid_grey_is_where_the_metered_frame_had_it() {
    for (mid, dark) in [(-3.25, -4.9), (-2.47, -4.52), (-4.2, -6.1)] {
        let tones = ReferenceTones::new(mid, dark).unwrap();
        let mut scene = room(400, 600);
        let grey = (mid as f32).exp2();
        scene
            .slice_mut(ndarray::s![250..350, 100..220, ..])
            .fill(grey);
        let settings = ToneSettings {
            reference: Some(tones),
            ..Default::default()
        };
        let seen = lightness(&map(scene), &settings);
        let patch = seen.slice(ndarray::s![280..320, 140..180]);
        let mean = patch.mean().unwrap();
        println!("{mid}: L* {mean:.1}");
        assert!((mean - 50.0).abs() < 4.0, "{mid}: L* {mean}");
    }
}

#[test]
fn the_number_of_threads_changes_no_bit() {
    let scene = map(room(1100, 1500));
    let with = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        pool.install(|| render(&scene, &ToneSettings::default()))
    };
    let one = with(1);
    for threads in [2, 5] {
        assert!(one == with(threads), "{threads} threads");
    }
}

/// A dark wall of noise is not lifted: neither where the map states its noise nor where it states none at all.
#[test]
fn noise_is_held_back() {
    let mut scene = room(500, 700);
    let mut state = 1u32;
    let mut noise = || {
        // Sum of four uniform numbers: near enough to a normal one, of standard deviation 0.577.
        (0..4).fold(-2.0f32, |sum, _| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            sum + (state >> 8) as f32 / (1u32 << 24) as f32
        }) / 0.577
    };
    let wall = 2e-3f32;
    let mut sigma = Array3::from_elem(scene.dim(), 1e-5f32);
    for r in 250..450 {
        for c in 100..400 {
            for k in 0..3 {
                scene[[r, c, k]] = wall + 0.5 * wall * noise();
                sigma[[r, c, k]] = 0.5 * wall;
            }
        }
    }
    let deviation = |statistical: Array3<f32>| {
        let seen = lightness(
            &RadianceMap {
                statistical,
                ..map(scene.clone())
            },
            &ToneSettings::default(),
        );
        seen.slice(ndarray::s![280..420, 130..370]).std(0.0)
    };
    let denied = deviation(Array3::from_elem(scene.dim(), 1e-9));
    let green = sigma.slice(ndarray::s![.., .., 1..2]).to_owned();
    for (how, after) in [
        ("stated", deviation(sigma)),
        ("stated of one channel", deviation(green)),
        ("not stated", deviation(Array3::zeros(scene.dim()))),
    ] {
        println!("L* deviation {denied:.2}, with the uncertainty {how} {after:.2}");
        assert!(
            after < 1.5 && after < 0.5 * denied,
            "{how}: {denied} {after}"
        );
    }
}

/// Standard deviation of L* in a window of 15 x 15 pixels.
fn contrast(seen: &Array2<f64>, at: (usize, usize)) -> f64 {
    seen.slice(ndarray::s![at.0..at.0 + 15, at.1..at.1 + 15])
        .std(0.0)
}

/// Places that the metered frame clips or sinks keep at least 0.35 of the contrast they have in the frame that shows them best.
#[test]
fn what_the_metered_frame_lost_has_contrast() {
    // As IEC 61966-2-1 encodes it, code 255 being 1.
    let settings = ToneSettings {
        reference: ReferenceTones::new(0.1812f64.log2(), 0.0437f64.log2()),
        ..Default::default()
    };
    for (lost, texture) in [
        (2.0f32, 0.5f32),
        (3.5, 0.5),
        (2.0, 0.25),
        (-8.5, 0.5),
        (-9.5, 0.8),
    ] {
        let mut scene = room(600, 900);
        for r in 420..560 {
            for c in 80..260 {
                // Cells of 2 x 2 and of 7 x 7 pixels.
                let fine = ((r / 2) * 31 + (c / 2) * 17) % 5;
                let coarse = ((r / 7) * 13 + (c / 7) * 29) % 4;
                let light = lost + texture * (fine as f32 / 4.0 + coarse as f32 / 3.0 - 1.0);
                for k in 0..3 {
                    scene[[r, c, k]] = light.exp2();
                }
            }
        }
        // A merge states its uncertainty: here a signal-to-noise ratio of 100.
        let stated = RadianceMap {
            statistical: scene.mapv(|v| 0.01 * v),
            ..map(scene.clone())
        };
        let seen = lightness(&stated, &settings);
        let frames: Vec<Array2<f64>> = (-12..13)
            .map(|stops| {
                let light = scene.index_axis(ndarray::Axis(2), 1);
                light.mapv(|v| lightness_of(f64::from(v * (stops as f32).exp2()).min(1.0)))
            })
            .collect();
        for at in [(450, 110), (500, 150), (520, 220)] {
            let best = frames.iter().map(|f| contrast(f, at)).fold(0.0, f64::max);
            let share = contrast(&seen, at) / best;
            println!("{lost} stops, texture {texture}: {share:.2} of {best:.1}");
            assert!(
                share >= 0.35,
                "{lost}, {texture}, {at:?}: {share} of {best}"
            );
        }
    }
}

/// Hue and chroma (CIELAB, D65) of linear sRGB light.
fn hue_and_chroma(light: [f64; 3]) -> (f64, f64) {
    let xyz = Primaries::SRGB.to_xyz();
    let white = [0, 1, 2].map(|i: usize| xyz[i].iter().sum::<f64>());
    let f = [0, 1, 2].map(|i: usize| {
        let t: f64 = (0..3).map(|k| xyz[i][k] * light[k]).sum::<f64>() / white[i];
        if t > 216.0 / 24389.0 {
            t.cbrt()
        } else {
            (24389.0 / 27.0 * t + 16.0) / 116.0
        }
    });
    let (a, b) = (500.0 * (f[0] - f[1]), 200.0 * (f[1] - f[2]));
    (b.atan2(a).to_degrees(), a.hypot(b))
}

/// A scene and a metered frame that encodes it after IEC 61966-2-1: colours come out as that frame has them.
#[test]
fn colours_are_those_of_the_metered_frame() {
    let tones = ReferenceTones::new(0.1812f64.log2(), 0.0437f64.log2());
    let settings = ToneSettings {
        reference: tones,
        ..Default::default()
    };
    let patches = [
        [0.30, 0.15, 0.10],
        [0.10, 0.22, 0.12],
        [0.12, 0.15, 0.35],
        [0.35, 0.30, 0.10],
        [0.25, 0.12, 0.25],
        [0.10, 0.25, 0.28],
    ];
    let mut scene = room(600, 900);
    for (i, patch) in patches.iter().enumerate() {
        let left = 40 + 140 * i;
        for r in 420..540 {
            for c in left..left + 120 {
                for k in 0..3 {
                    scene[[r, c, k]] = patch[k] as f32;
                }
            }
        }
    }
    let picture = render(&map(scene), &settings);
    for (i, patch) in patches.iter().enumerate() {
        let at = (480, 100 + 140 * i);
        let light = [0, 1, 2].map(|k| to_linear(f64::from(picture[[at.0, at.1, k]]) / 65535.0));
        let (ours, theirs) = (hue_and_chroma(light), hue_and_chroma(*patch));
        let turned = (ours.0 - theirs.0 + 540.0).rem_euclid(360.0) - 180.0;
        let ratio = ours.1 / theirs.1;
        println!("{patch:?}: hue {turned:+.1} degrees, chroma {ratio:.2}");
        assert!(
            turned.abs() <= 3.0 && (0.9..=1.25).contains(&ratio),
            "{patch:?}: {turned} {ratio}"
        );
    }
}

#[test]
fn controls_do_what_they_say() {
    let scene = map(room(400, 600));
    let seen = |change: &dyn Fn(&mut ToneSettings)| {
        let mut settings = ToneSettings::default();
        change(&mut settings);
        lightness(&scene, &settings)
    };
    let plain = seen(&|_| ());
    let pairs = |other: Array2<f64>| plain.iter().copied().zip(other).collect::<Vec<_>>();
    assert!(
        pairs(seen(&|s| s.exposure_stops = 1.0))
            .iter()
            .all(|(a, b)| b > a)
    );
    assert!(
        pairs(seen(&|s| s.exposure_stops = -1.0))
            .iter()
            .all(|(a, b)| b < a)
    );
    for (a, b) in pairs(seen(&|s| s.highlights_stops = -1.0)) {
        assert!(
            if a > 80.0 { b < a - 1.0 } else { b <= a + 1e-9 },
            "{a} {b}"
        );
        assert!(a > 66.0 || (a - b).abs() < 1e-9, "{a} {b}");
    }
    for (a, b) in pairs(seen(&|s| s.shadows_stops = 1.0)) {
        assert!(a < 34.0 || (a - b).abs() < 1e-9, "{a} {b}");
        assert!(a > 20.0 || b > a + 0.3, "{a} {b}");
    }
    // Cells of texture are three pixels wide.
    let texture = |seen: &Array2<f64>| {
        let (a, b) = (
            ndarray::s![200..260, 300..360],
            ndarray::s![200..260, 303..363],
        );
        (&seen.slice(b) - &seen.slice(a))
            .mapv(f64::abs)
            .mean()
            .unwrap()
    };
    let (less, more) = (
        seen(&|s| s.local_contrast_stops = -1.0),
        seen(&|s| s.local_contrast_stops = 1.0),
    );
    let (a, b, c) = (texture(&less), texture(&plain), texture(&more));
    assert!(a < 0.7 * b && c > 1.4 * b, "{a} {b} {c}");
}
