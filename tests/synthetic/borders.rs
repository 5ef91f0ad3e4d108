//! Frames with constant borders of an earlier registration, through the stages.
use super::pictures::{PLAIN, Tags, look, picture_of};
use super::registration::CAMERA;
use super::texture::Texture;
use stopspan::{Merged, Overrides, ResponseRequest, load, merge, recover, register};
use stopspan_core::finding::Finding;
use stopspan_core::model::flag;
use stopspan_core::raster::{Pixels, Transform};

/// Depth of the borders, pixels, by frame.
const DEEP: [usize; 3] = [9, 0, 5];

/// The merge of three frames, with blue borders along the top of two of them or without.
fn merged(bordered: bool) -> Merged {
    let folder = tempfile::tempdir().unwrap();
    let scene = Texture::new(60, 40, 0.25, 1.2);
    let (rows, columns) = CAMERA.size;
    let times = [(1, 32), (1, 8), (1, 2)];
    for (j, time) in times.into_iter().enumerate() {
        let exposure = 2.0 / f64::from(time.1);
        let taken = CAMERA.capture(&scene, &Transform::IDENTITY, exposure, j as u64);
        let Pixels::U8(mut codes) = taken.picture.pixels else {
            panic!("8 bits")
        };
        for row in 0..if bordered { DEEP[j] } else { 0 } {
            for column in 0..columns {
                let blue = [0, 0, 255];
                (0..3).for_each(|k| codes[[row, column, k]] = blue[k]);
            }
        }
        let tags = Tags {
            time: Some(time),
            size: (columns as u16, rows as u16),
            ..PLAIN
        };
        let samples = codes.as_slice().unwrap();
        picture_of(samples, folder.path(), &format!("{j}.png"), &tags);
    }
    let found = look(folder.path());
    let bracket = load(&found.brackets[0], &Overrides::default()).unwrap();
    let told = bracket.findings.iter().any(
        |f| matches!(f, Finding::BordersLeftOut { frames: 2, widest_px } if *widest_px >= DEEP[0]),
    );
    assert_eq!(told, bordered, "{:?}", bracket.findings);
    merge(recover(register(bracket), ResponseRequest::Srgb).unwrap()).unwrap()
}

/// Below the borders the map is that of the frames without them, to a tenth of its noise; in them it rests on the frame that has none, within its noise.
#[test]
fn borders_are_no_light() {
    let (with, without) = (merged(true).map, merged(false).map);
    let (rows, columns) = CAMERA.size;
    for row in 0..rows {
        let (mut off, mut count) = (0.0, 0.0);
        for column in 0..columns {
            let at = [row, column, 1];
            let (a, b) = (with.radiance[at], without.radiance[at]);
            let flags = with.flags[[row, column]];
            if row >= DEEP[0] + 4 {
                // Noise is not estimated from the borders, so that weights differ a little.
                assert!(
                    (a - b).abs() <= 0.1 * without.statistical[at],
                    "{at:?}: {a} {b}"
                );
            } else if row < DEEP[2] && flags & (flag::CLIPPED_IN_ALL | flag::CLIPPED_IN_SOME) == 0 {
                assert_ne!(flags & flag::UNCOVERED, 0, "{at:?}: {flags:b}");
                off += f64::from(((a - b) / with.statistical[at]).powi(2));
                count += 1.0;
            }
        }
        // One frame against three: the difference is noise of the one that both have.
        assert!(
            count == 0.0 || off / count < 2.0,
            "row {row}: {}",
            off / count
        );
    }
}
