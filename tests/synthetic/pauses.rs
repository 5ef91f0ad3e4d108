//! Brackets with pauses between their frames, as people take them by hand, and brackets that only follow each other.
use super::pictures::{
    HALF_NOMINAL_DOUBLE, PLAIN, Tags, brackets, burst, look, picture, picture_of,
};
use super::registration::CAMERA;
use super::texture::Texture;
use std::path::Path;
use stopspan_core::raster::{Pixels, Transform};

/// Frames by exposure time and second; the names do not follow the exposures.
fn by_hand(folder: &Path, frames: &[((u32, u32), u32)]) {
    for (time, second) in frames {
        let tags = Tags {
            time: Some(*time),
            moment: Some(100 * second),
            bias: Some(0),
            ..PLAIN
        };
        picture(folder, &format!("{}_{second}.jpg", time.1), &tags);
    }
}

#[test]
fn pauses_of_minutes_do_not_part_a_bracket() {
    let cases: [&[((u32, u32), u32)]; 4] = [
        // ten seconds to more than a minute between frames
        &[
            ((1, 4), 0),
            ((1, 2), 80),
            ((1, 1), 87),
            ((2, 1), 98),
            ((4, 1), 107),
        ],
        // downwards, the longest last after nearly three minutes
        &[
            ((1, 1), 0),
            ((1, 2), 35),
            ((1, 4), 48),
            ((1, 8), 57),
            ((2, 1), 220),
        ],
        // the first exposure twice
        &[((1, 8), 0), ((1, 8), 40), ((1, 4), 70), ((1, 2), 100)],
        &[((1, 60), 0), ((1, 15), 200)],
    ];
    for (index, frames) in cases.into_iter().enumerate() {
        let folder = tempfile::tempdir().unwrap();
        by_hand(folder.path(), frames);
        let found = look(folder.path());
        // the second case needs pixels, which pictures of 16 x 8 have not: its last frame breaks the order
        let expected = if index == 1 { 4 } else { frames.len() };
        assert_eq!(found.brackets.len(), 1, "{frames:?}: {found}");
        assert_eq!(found.brackets[0].frames.len(), expected, "{found}");
    }
}

#[test]
fn a_sequence_that_starts_again_is_another_bracket() {
    for pause in [1, 8, 40, 200] {
        let folder = tempfile::tempdir().unwrap();
        burst(folder.path(), "Box", 0, &HALF_NOMINAL_DOUBLE);
        burst(folder.path(), "Box", 100 * pause, &HALF_NOMINAL_DOUBLE);
        let found = look(folder.path());
        let sizes: Vec<usize> = brackets(&found).iter().map(Vec::len).collect();
        assert_eq!(sizes, [3, 3], "{pause} s: {found}");
    }
    // set by hand twice
    let folder = tempfile::tempdir().unwrap();
    let twice = [0, 30, 60, 100, 130, 160];
    let times = [(1, 8), (1, 4), (1, 2)].iter().cycle();
    let frames: Vec<_> = times.copied().zip(twice).collect();
    by_hand(folder.path(), &frames);
    assert_eq!(look(folder.path()).brackets.len(), 2);
}

/// Exposure time as written, and second of capture.
type Shot = ((u32, u32), u32);

/// A frame of a scene, as JPEG.
fn view(folder: &Path, scene: u64, shot: Shot, seed: u64) {
    let (time, second) = shot;
    let exposure = 2.0 * f64::from(time.0) / f64::from(time.1);
    let scene = Texture::new(scene, 40, 0.25, 1.2);
    let Pixels::U8(codes) = CAMERA
        .capture(
            &scene,
            &Transform::shift(3.0, -2.0 * seed as f64),
            exposure,
            seed,
        )
        .picture
        .pixels
    else {
        panic!("8 bits")
    };
    let (rows, columns) = CAMERA.size;
    let tags = Tags {
        time: Some(time),
        moment: Some(100 * second),
        size: (columns as u16, rows as u16),
        ..PLAIN
    };
    picture_of(
        codes.as_slice().unwrap(),
        folder,
        &format!("f{second:03}.jpg"),
        &tags,
    );
}

/// Where the order of exposures leaves it open, the view decides: the same one, held by hand, or another.
#[test]
fn the_view_decides_where_exposures_do_not() {
    let frames = [((1, 8), 0), ((1, 16), 30), ((1, 32), 50), ((1, 4), 220)];
    for (last, sizes, singles) in [(70, vec![4], 0), (71, vec![3], 1)] {
        let folder = tempfile::tempdir().unwrap();
        for (seed, frame) in frames.into_iter().enumerate() {
            let scene = if seed == 3 { last } else { 70 };
            view(folder.path(), scene, frame, seed as u64);
        }
        let found = look(folder.path());
        let found_sizes: Vec<usize> = brackets(&found).iter().map(Vec::len).collect();
        assert_eq!(
            (found_sizes, found.singles.len()),
            (sizes, singles),
            "{found}"
        );
    }
}

/// Pictures of one walk: exposures that would fit, views that do not.
#[test]
fn pictures_of_different_views_are_singles() {
    let folder = tempfile::tempdir().unwrap();
    let frames = [((1, 8), 0), ((1, 16), 30), ((1, 32), 70)];
    for (seed, frame) in frames.into_iter().enumerate() {
        view(folder.path(), 80 + seed as u64, frame, seed as u64);
    }
    let found = look(folder.path());
    assert_eq!(
        (found.brackets.len(), found.singles.len()),
        (0, 3),
        "{found}"
    );
}
