//! Small brackets with known exposures, as JPEG files with metadata of our own making.
use crate::published::srgb::to_level;
use image::{ImageEncoder, Rgb, RgbImage};
use std::path::{Path, PathBuf};

/// Columns and rows of a frame.
pub const SIZE: (u32, u32) = (160, 120);

/// What the metadata of a frame say; `None` leaves the metadata out.
#[derive(Clone, Copy)]
pub struct Tags {
    /// ExposureTime as numerator and denominator.
    pub time: (u32, u32),
    /// Seconds after noon.
    pub second: u32,
}

/// Radiance of the scene: a ramp over 8 stops with texture that registration can hold on to, and three colours.
fn radiance(column: u32, row: u32, channel: usize) -> f64 {
    let (x, y) = (f64::from(column), f64::from(row));
    let ramp = -7.0 + 8.0 * x / f64::from(SIZE.0);
    let texture = 0.5 * (x * 0.31 + y * 0.17).sin() + 0.4 * (y * 0.43 - x * 0.11).cos();
    (ramp + texture).exp2() * [0.8, 1.0, 0.6][channel]
}

/// A frame of the scene at a relative exposure: IEC 61966-2-1, with a little fixed noise.
pub fn frame(exposure: f64, (columns, rows): (u32, u32)) -> RgbImage {
    let mut state = (exposure * 1000.0) as u32 + 1;
    RgbImage::from_fn(columns, rows, |column, row| {
        let mut pixel = [0u8; 3];
        for (channel, code) in pixel.iter_mut().enumerate() {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let noise = f64::from(state >> 8) / f64::from(1 << 24) - 0.5;
            let light = (radiance(column, row, channel) * exposure).clamp(0.0, 1.0);
            *code = (255.0 * to_level(light) + 2.0 * noise)
                .round()
                .clamp(0.0, 255.0) as u8;
        }
        Rgb(pixel)
    })
}

/// A TIFF structure with ExposureTime, FNumber 4, ISO 100 and DateTimeOriginal.
fn exif(tags: Tags) -> Vec<u8> {
    let date = format!(
        "2026:05:01 12:{:02}:{:02}\0",
        tags.second / 60,
        tags.second % 60
    );
    let mut out = b"II\x2a\0\x08\0\0\0".to_vec();
    let entry = |out: &mut Vec<u8>, tag: u16, kind: u16, count: u32, value: u32| {
        out.extend(tag.to_le_bytes());
        out.extend(kind.to_le_bytes());
        out.extend(count.to_le_bytes());
        out.extend(value.to_le_bytes());
    };
    out.extend(1u16.to_le_bytes());
    entry(&mut out, 0x8769, 4, 1, 26); // the Exif directory begins at 26
    out.extend(0u32.to_le_bytes());
    out.extend(4u16.to_le_bytes());
    entry(&mut out, 0x829a, 5, 1, 80); // 26 + 2 + 4 x 12 + 4 = 80
    entry(&mut out, 0x829d, 5, 1, 88);
    entry(&mut out, 0x8827, 3, 1, 100);
    entry(&mut out, 0x9003, 2, 20, 96);
    out.extend(0u32.to_le_bytes());
    for number in [tags.time.0, tags.time.1, 4, 1] {
        out.extend(number.to_le_bytes());
    }
    out.extend(date.as_bytes());
    out
}

/// Writes a JPEG of quality 95.
pub fn write(file: &Path, picture: &RgbImage, tags: Option<Tags>) {
    let mut bytes = Vec::new();
    let mut encoder = image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, 95);
    if let Some(tags) = tags {
        encoder.set_exif_metadata(exif(tags)).unwrap();
    }
    let (columns, rows) = picture.dimensions();
    let kind = image::ExtendedColorType::Rgb8;
    encoder
        .write_image(picture.as_raw(), columns, rows, kind)
        .unwrap();
    std::fs::write(file, bytes).unwrap();
}

/// Exposure times of a good bracket, as fractions, with the relative exposures they stand for.
pub const TIMES: [((u32, u32), f64); 3] = [((1, 200), 0.25), ((1, 50), 1.0), ((4, 50), 4.0)];

/// A good bracket of three frames in a new folder; the files, least exposure first.
pub fn bracket(folder: &Path) -> Vec<PathBuf> {
    std::fs::create_dir_all(folder).unwrap();
    let one = |(index, (time, exposure)): (usize, &((u32, u32), f64))| {
        let file = folder.join(format!("good{index}.jpg"));
        let tags = Tags {
            time: *time,
            second: index as u32,
        };
        write(&file, &frame(*exposure, SIZE), Some(tags));
        file
    };
    TIMES.iter().enumerate().map(one).collect()
}
