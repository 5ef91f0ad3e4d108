//! A small copy of a picture for lists: the preview inside the file where there is one, else the picture reduced.
use super::fence::fenced;
use super::orientation::upright;
use super::preview::preview_jpeg;
use super::{jpeg, read_header, read_picture};
use exif::{In, Reader, Tag};
use ndarray::Array3;
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
    let (rows, columns, channels) = pixels.dim();
    let step = rows.max(columns).div_ceil(longest.max(1)).max(1);
    let kept = if channels == 3 { 3 } else { 1 };
    let linear = raw || pixels.bits() == 32;
    Array3::from_shape_fn(
        (rows.div_ceil(step), columns.div_ceil(step), kept),
        |(r, c, k)| {
            let (below, right) = (((r + 1) * step).min(rows), ((c + 1) * step).min(columns));
            let mut sum = 0.0;
            for row in r * step..below {
                for column in c * step..right {
                    sum += f64::from(pixels.level(row, column, k));
                }
            }
            let mean = sum / ((below - r * step) * (right - c * step)) as f64;
            let shown = if linear {
                srgb_level(mean.clamp(0.0, 1.0))
            } else {
                mean
            };
            (shown.clamp(0.0, 1.0) * 255.0).round() as u8
        },
    )
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
    }
}
