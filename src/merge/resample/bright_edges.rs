//! Bright windows of known radiance in frames half a pixel apart: what the shortest frame holds beside clipped pixels is kept, and
//! what no frame holds does not become dark.
use crate::Merger;
use crate::trial::{COLUMNS, Noisy, READ, ROWS, SHOT, bracket, frame, known};
use stopspan_core::model::{Frame, RadianceMap, flag};

fn merged(frames: impl Into<Vec<Frame>>) -> RadianceMap {
    let (response, noise) = known();
    Merger::new(&bracket(frames), &response, &noise).whole()
}

/// Distance to the nearest upright bar, pixels; negative within one. Bars are three pixels wide and thirty apart.
fn from_bar(x: f64) -> f64 {
    let across = (x - 10.3).rem_euclid(30.0);
    (across - 1.5).abs().min((31.5 - across).abs()) - 1.5
}

/// A sky that only the shortest frame holds, with bars in it ten times as light as that frame can show: a pixel and a half from a bar
/// nothing is taken for clipped, and the sky has its radiance. On the bars nothing is known but a bound.
#[test]
fn a_window_is_kept_up_to_its_clipped_edges() {
    let sky = |y: f64| 2.0 + 0.6 * (y / 25.0).sin();
    let light = |y: f64, x: f64| if from_bar(x) < 0.0 { 40.0 } else { sky(y) };
    let mut random = Noisy(1);
    for shift in [[0.4, 1.03], [-0.5, 0.5], [0.97, -0.2]] {
        let of = |stops: f64, part: f64| (stops, shift.map(|v| part * v));
        let frames = [of(-2.0, 1.0), of(0.0, 0.0), of(2.0, -0.6)];
        let frames = frames.map(|frame_of| frame(frame_of, 0.0, &mut random, light));
        let map = merged(frames);
        let (mut beside, mut within) = (0, 0);
        for (r, c) in (4..ROWS - 4).flat_map(|r| (4..COLUMNS - 4).map(move |c| (r, c))) {
            let (y, x) = (r as f64 + 0.5, c as f64 + 0.5);
            let (found, flags) = (f64::from(map.radiance[[r, c, 0]]), map.flags[[r, c]]);
            let clipped = flags & flag::CLIPPED_IN_ALL != 0;
            if from_bar(x) >= 1.5 {
                let deviation = 4.0 * (SHOT * sky(y) / 4.0 + READ).sqrt();
                let off = (found - sky(y)).abs();
                assert!(
                    !clipped,
                    "{shift:?}: clipped at {r} {c}, {:.2} from a bar",
                    from_bar(x)
                );
                assert!(off < 5.0 * deviation, "{shift:?}: {found} at {r} {c}");
                beside += usize::from(from_bar(x) < 2.5);
            } else if from_bar(x) <= -0.5 {
                assert!(clipped && found >= 4.0, "{shift:?}: {found} at {r} {c}");
                within += 1;
            } else {
                // Partly bar: no less than the sky in any case.
                assert!(found > 0.9 * sky(y), "{shift:?}: {found} at {r} {c}");
            }
        }
        assert!(beside > 1000 && within > 1000, "{beside} {within}");
    }
}

/// A sky too light for all three frames, of which the longest reads up to a tenth below its clip level there, as noise,
/// sharpening and compression bring about: no pixel becomes as dark as that frame alone would have it.
#[test]
fn noise_near_saturation_leaves_no_dark_specks() {
    let mut random = Noisy(2);
    let settings = [(-2.0, [0.0; 2]), (0.0, [0.0; 2]), (2.0, [0.3, 0.4])];
    for late in [0.01, 0.03, 0.06] {
        let frames = settings.map(|of| {
            let late = if of.0 > 1.0 { late } else { 0.0 };
            frame(
                of,
                late,
                &mut random,
                |_, x| if x < 60.0 { 0.02 } else { 6.0 },
            )
        });
        let map = merged(frames);
        for (r, c) in (4..ROWS - 4).flat_map(|r| (64..COLUMNS - 4).map(move |c| (r, c))) {
            let found = map.radiance[[r, c, 0]];
            assert!(found >= 4.0 * 0.99, "{late}: {found} at {r} {c}");
            assert_ne!(
                map.flags[[r, c]] & flag::CLIPPED_IN_ALL,
                0,
                "{late}: {r} {c}"
            );
        }
    }
}
