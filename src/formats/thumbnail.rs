//! A small copy of a picture for lists: the preview inside the file where there is one, else the picture reduced.
use super::fence::fenced;
use super::orientation::upright;
use super::preview::preview_jpeg;
use super::{jpeg, read_header, read_picture};
use exif::{In, Reader, Tag};
use ndarray::{Array3, s};
use std::io;
use std::path::Path;
use stopspan_core::Error;
use stopspan_core::error::InputProblem;
use stopspan_core::model::{Header, Limits};
use stopspan_core::raster::Pixels;
use stopspan_core::units::srgb_level;

/// Quality of the JPEG.
const QUALITY: u8 = 80;
/// Shortest longer side of a preview worth showing, pixels.
const LEAST: usize = 64;

/// An upright JPEG of at most `longest` pixels on the longer side. For the eye: previews are as the camera made them, raw and float samples
/// are shown through the curve of IEC 61966-2-1, and no profile is applied.
///
/// # Errors
/// [`Error::Input`] as [`read_picture`], where there is no preview.
pub fn thumbnail(file: &Path, limits: &Limits, longest: usize) -> Result<Vec<u8>, Error> {
    let header = read_header(file, limits)?;
    let small = match embedded(&header) {
        Some(preview) => preview,
        None => {
            let picture = read_picture(file, limits)?;
            reduced(&picture.pixels, longest, picture.raw.is_some())
        }
    };
    preview_jpeg(
        small.view(),
        u32::try_from(longest).unwrap_or(u32::MAX),
        QUALITY,
    )
    .map_err(|e: io::Error| Error::input_because(file, InputProblem::Damaged, e))
}

/// The preview inside an EXIF block (its first IFD), upright.
fn embedded(header: &Header) -> Option<Array3<u8>> {
    let block = header.exif.as_ref()?;
    let tags = Reader::new().read_raw(block.clone()).ok()?;
    let number = |tag| {
        let field = tags.get_field(tag, In::THUMBNAIL)?;
        usize::try_from(field.value.get_uint(0)?).ok()
    };
    let begin = number(Tag::JPEGInterchangeFormat)?;
    let length = number(Tag::JPEGInterchangeFormatLength)?;
    let bytes = block.get(begin..begin.checked_add(length)?)?;
    let limits = Limits {
        pixels: 1 << 20,
        accept_damaged: false,
        ..Limits::default()
    };
    let decoded = fenced(|| jpeg::decode(bytes, &limits)).ok()?;
    let pixels = upright(decoded.pixels, header.orientation.unwrap_or(1)).ok()?;
    let large = pixels.columns().max(pixels.rows()) >= LEAST;
    match pixels {
        Pixels::U8(samples) if large => Some(samples),
        _ => None,
    }
}

/// Means over squares of pixels, so that the longer side is at most `longest`, as 8-bit codes.
fn reduced(pixels: &Pixels, longest: usize, raw: bool) -> Array3<u8> {
    let (rows, columns, _) = pixels.dim();
    let step = rows.max(columns).div_ceil(longest.max(1)).max(1);
    match pixels {
        Pixels::U8(codes) if !raw => means_of_codes(codes, step),
        _ => means_of_levels(pixels, step, raw || pixels.bits() == 32),
    }
}

/// Means over squares of codes, row by row as they lie in memory.
fn means_of_codes(codes: &Array3<u8>, step: usize) -> Array3<u8> {
    let (rows, columns, channels) = codes.dim();
    let width = columns.div_ceil(step);
    let mut out = Vec::with_capacity(rows.div_ceil(step) * width * channels);
    for top in (0..rows).step_by(step) {
        let bottom = (top + step).min(rows);
        let mut sums = vec![0u64; width * channels];
        for row in top..bottom {
            let line = codes.slice(s![row, .., ..]);
            let line = line.as_slice().unwrap_or_default();
            let squares = line.chunks(step * channels);
            for (square, sum) in squares.zip(sums.chunks_exact_mut(channels)) {
                for pixel in square.chunks_exact(channels) {
                    for (sum, code) in sum.iter_mut().zip(pixel) {
                        *sum += u64::from(*code);
                    }
                }
            }
        }
        for (at, sum) in sums.iter().enumerate() {
            let left = at / channels * step;
            let pixels = (bottom - top) * ((left + step).min(columns) - left);
            out.push((*sum as f64 / pixels as f64).round() as u8);
        }
    }
    Array3::from_shape_vec((rows.div_ceil(step), width, channels), out).unwrap_or_default()
}

/// Means over squares of levels of any kind; of a mosaic's or other planes the first stands for all.
fn means_of_levels(pixels: &Pixels, step: usize, linear: bool) -> Array3<u8> {
    let (rows, columns, channels) = pixels.dim();
    let kept = if channels == 3 { 3 } else { 1 };
    let size = (rows.div_ceil(step), columns.div_ceil(step), kept);
    Array3::from_shape_fn(size, |(r, c, k)| {
        let (below, right) = (((r + 1) * step).min(rows), ((c + 1) * step).min(columns));
        let mut sum = 0.0;
        for row in r * step..below {
            for column in c * step..right {
                sum += f64::from(pixels.level(row, column, k));
            }
        }
        let mean = sum / ((below - r * step) * (right - c * step)) as f64;
        let shown = match linear {
            true => srgb_level(mean.clamp(0.0, 1.0)),
            false => mean,
        };
        (shown.clamp(0.0, 1.0) * 255.0).round() as u8
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn squares_become_their_means() {
        let stored = Array3::from_shape_fn((5, 8, 3), |(r, c, k)| (10 * r + c + 50 * k) as u8);
        let small = reduced(&Pixels::U8(stored.clone()), 4, false);
        assert_eq!(small.dim(), (3, 4, 3));
        // Mean of 0, 1, 10, 11, and of the last row alone.
        assert_eq!((small[[0, 0, 0]], small[[2, 3, 2]]), (6, 147));
        assert_eq!(reduced(&Pixels::U8(stored.clone()), 8, false), stored);
        // The slow way of other kinds of levels. Squares of 3 x 3 of a ramp have no mean half way between two codes.
        let ramp = Array3::from_shape_fn((6, 9, 3), |(r, c, k)| (7 * r + 3 * c + 40 * k) as u8);
        let slow = means_of_levels(&Pixels::U8(ramp.clone()), 3, false);
        assert_eq!(means_of_codes(&ramp, 3), slow);
    }

    /// A TIFF structure whose second directory (Exif 2.32, 4.5.1) says where a JPEG lies behind it.
    fn block(preview: &[u8]) -> Vec<u8> {
        let mut out = b"II\x2a\0\x08\0\0\0".to_vec();
        out.extend(0u16.to_le_bytes()); // the first directory is empty, the second begins at 14
        out.extend(14u32.to_le_bytes());
        out.extend(3u16.to_le_bytes());
        let length = preview.len() as u32;
        for (tag, kind, value) in [(0x103u16, 3u16, 6), (0x201, 4, 56), (0x202, 4, length)] {
            out.extend(tag.to_le_bytes());
            out.extend(kind.to_le_bytes());
            out.extend(1u32.to_le_bytes());
            out.extend(value.to_le_bytes());
        }
        out.extend(0u32.to_le_bytes());
        assert_eq!(out.len(), 56);
        out.extend(preview);
        out
    }

    #[test]
    fn a_preview_inside_the_file_is_shown_upright() {
        let grey = Array3::from_elem((90, 120, 3), 128);
        let preview = preview_jpeg(grey.view(), 120, 90).unwrap();
        let mut header = Header {
            exif: Some(block(&preview)),
            orientation: Some(6),
            ..Header::default()
        };
        assert_eq!(embedded(&header).unwrap().dim(), (120, 90, 3));
        header.orientation = None;
        assert_eq!(embedded(&header).unwrap().dim(), (90, 120, 3));
        // Cut short, or too small to be worth it.
        header.exif = Some(block(&preview)[..300].to_vec());
        assert!(embedded(&header).is_none());
        let tiny = preview_jpeg(grey.view(), 40, 90).unwrap();
        header.exif = Some(block(&tiny));
        assert!(embedded(&header).is_none());
    }
}
