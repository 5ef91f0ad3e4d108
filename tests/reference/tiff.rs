//! Kinds of TIFF file as other libraries write and read them; `tiff/make.py` made files and table with Pillow, libtiff and tifffile.
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use stopspan_core::Error;
use stopspan_core::error::InputProblem;
use stopspan_core::model::{Compression, Limits};
use stopspan_core::raster::Pixels;
use stopspan_formats::read_picture;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/tiff")
}

/// Codes of 8 or 16 bits as numbers.
fn code(pixels: &Pixels, row: usize, column: usize, channel: usize) -> u32 {
    match pixels {
        Pixels::U8(samples) => samples[[row, column, channel]].into(),
        Pixels::U16(samples) => samples[[row, column, channel]].into(),
        Pixels::F32(_) => panic!("integer samples"),
    }
}

/// Equal codes; of JPEG data codes differ by at most 1 between decoders of 4:2:0 on a smooth picture (here and in Pillow's).
#[test]
fn samples_are_those_of_other_readers() {
    let mut table = csv::Reader::from_path(folder().join("expected.csv")).unwrap();
    let mut read = BTreeMap::new();
    let mut rows = 0;
    for record in table.records() {
        let record = record.unwrap();
        let number = |k: usize| record[k].parse::<usize>().unwrap();
        let (row, column, channel) = (number(2), number(3), number(4));
        let name = record[0].to_owned();
        let picture = read
            .entry(name.clone())
            .or_insert_with(|| read_picture(&folder().join(&name), &Limits::default()).unwrap());
        let off = code(&picture.pixels, row, column, channel).abs_diff(number(5) as u32);
        let most = u32::from(name == "jpeg.tif");
        assert!(off <= most, "{name}: {record:?} is off by {off}");
        rows += 1;
    }
    assert_eq!((read.len(), rows), (10, 600));
}

/// JPEG data lose what their tables say, wherever they are stored.
#[test]
fn jpeg_data_are_known_to_be_compressed() {
    let of = |name: &str| read_picture(&folder().join(name), &Limits::default()).unwrap();
    assert!(matches!(
        of("jpeg.tif").compression,
        Compression::Jpeg {
            quantisation_rms,
            ..
        } if quantisation_rms > 0.5
    ));
    assert_eq!(of("planes.tif").compression, Compression::Lossless);
}

#[test]
fn what_is_not_read_is_refused_by_name() {
    for (name, word) in [
        ("grey-12.tif", "12-bit"),
        ("signed-16.tif", "signed"),
        ("palette.tif", "palette"),
        ("lab.tif", "CIELAB"),
        ("reversed-bits.tif", "reversed"),
    ] {
        match read_picture(&folder().join(name), &Limits::default()) {
            Err(Error::Input {
                problem: InputProblem::Unsupported(what),
                ..
            }) => assert!(what.contains(word), "{name}: {what}"),
            other => panic!("{name}: {:?}", other.map(|p| p.pixels.dim())),
        }
    }
}

/// The system's or the user's limit holds before anything is decoded.
#[test]
fn a_picture_that_takes_more_memory_than_allowed_is_refused_by_name() {
    let file = folder().join("wide-planes-in-tiles.tif");
    let limits = |memory| Limits {
        memory,
        ..Limits::default()
    };
    // 40 x 50 pixels of three channels of 16 bits, once as planes and once mixed, and the file
    let least = 2 * 40 * 50 * 3 * 2 + std::fs::metadata(&file).unwrap().len();
    match read_picture(&file, &limits(least - 1)) {
        Err(Error::Input {
            problem: InputProblem::Memory { needed, limit },
            file: named,
            ..
        }) => assert_eq!((named, needed, limit), (file.clone(), least, least - 1)),
        other => panic!("{:?}", other.map(|p| p.pixels.dim())),
    }
    assert!(read_picture(&file, &limits(least)).is_ok());
}
