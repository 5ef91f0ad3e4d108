//! Made-up samples for the checks against other libraries, and reading them back.
use ndarray::{Array3, ArrayView3};
use std::path::Path;
use stopspan_core::model::{Limits, Picture};
use stopspan_formats::{read_header, read_picture};

pub(super) fn waves<T>(
    rows: usize,
    columns: usize,
    channels: usize,
    of: impl Fn(f64) -> T,
) -> Array3<T> {
    Array3::from_shape_fn((rows, columns, channels), |(r, c, k)| {
        let wave = (r as f64 / 9.0).sin() * (c as f64 / 13.0 + k as f64).cos();
        of(0.5 + 0.5 * wave)
    })
}

pub(super) fn bytes(rows: usize, columns: usize, channels: usize) -> Array3<u8> {
    waves(rows, columns, channels, |v| (255.0 * v) as u8)
}

pub(super) fn words(rows: usize, columns: usize, channels: usize) -> Array3<u16> {
    waves(rows, columns, channels, |v| (65535.0 * v) as u16)
}

pub(super) fn read(folder: &Path, name: &str, content: &[u8]) -> Picture {
    let file = folder.join(name);
    std::fs::write(&file, content).unwrap();
    let picture = read_picture(&file, &Limits::default()).unwrap();
    let header = read_header(&file, &Limits::default()).unwrap();
    assert_eq!(header, picture.header);
    picture
}

pub(super) fn raw<T: Copy>(samples: ArrayView3<T>) -> Vec<T> {
    samples.iter().copied().collect()
}
