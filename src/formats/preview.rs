//! Small copies of pictures, encoded in memory, for embedding in pages.
use super::srgb_profile;
use image::codecs::jpeg::JpegEncoder;
use image::codecs::png::PngEncoder;
use image::{DynamicImage, ImageBuffer, ImageEncoder, imageops::FilterType};
use ndarray::ArrayView3;
use std::io;

/// Encodes display-ready 8-bit samples (1 or 3 channels, sRGB) as JPEG, reduced to at most `longest` pixels on the
/// longer side (never enlarged) with a triangle filter of matching width. `quality` is 1..=100.
///
/// # Errors
/// `InvalidInput` for an empty picture or other channel counts.
pub fn preview_jpeg(samples: ArrayView3<u8>, longest: u32, quality: u8) -> io::Result<Vec<u8>> {
    let mut picture = dynamic(samples)?;
    if picture.width().max(picture.height()) > longest {
        picture = picture.resize(longest.max(1), longest.max(1), FilterType::Triangle);
    }
    let mut out = Vec::new();
    let mut encoder = JpegEncoder::new_with_quality(&mut out, quality.clamp(1, 100));
    encoder
        .set_icc_profile(srgb_profile())
        .map_err(io::Error::other)?;
    picture
        .write_with_encoder(encoder)
        .map_err(io::Error::other)?;
    Ok(out)
}

/// Encodes display-ready 8-bit samples (1 or 3 channels, sRGB) as PNG.
///
/// # Errors
/// `InvalidInput` for an empty picture or other channel counts.
pub fn png_bytes(samples: ArrayView3<u8>) -> io::Result<Vec<u8>> {
    let picture = dynamic(samples)?;
    let mut out = Vec::new();
    picture
        .write_with_encoder(PngEncoder::new(&mut out))
        .map_err(io::Error::other)?;
    Ok(out)
}

fn dynamic(samples: ArrayView3<u8>) -> io::Result<DynamicImage> {
    let (rows, columns, channels) = samples.dim();
    let (Ok(width), Ok(height)) = (u32::try_from(columns), u32::try_from(rows)) else {
        return Err(io::ErrorKind::InvalidInput.into());
    };
    let data: Vec<u8> = samples.iter().copied().collect();
    let picture = match channels {
        _ if data.is_empty() => None,
        1 => ImageBuffer::from_raw(width, height, data).map(DynamicImage::ImageLuma8),
        3 => ImageBuffer::from_raw(width, height, data).map(DynamicImage::ImageRgb8),
        _ => None,
    };
    picture.ok_or(io::ErrorKind::InvalidInput.into())
}
