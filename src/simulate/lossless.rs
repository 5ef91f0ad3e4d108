//! Frames as PNG or uncompressed TIFF with their EXIF.
use super::metadata::{block, field, write};
use exif::{Field, Tag, Value};
use std::borrow::Cow;
use std::io;
use stopspan_core::raster::Pixels;

/// A PNG of 8 or 16 bits; the EXIF block goes into an eXIf chunk.
///
/// # Errors
/// Those of the encoders; `InvalidInput` for float samples.
pub fn png(pixels: &Pixels, fields: &[Field]) -> io::Result<Vec<u8>> {
    let (rows, columns, channels) = pixels.dim();
    let mut info = png::Info::with_size(columns as u32, rows as u32);
    info.color_type = if channels == 1 {
        png::ColorType::Grayscale
    } else {
        png::ColorType::Rgb
    };
    info.bit_depth = if pixels.bits() == 8 {
        png::BitDepth::Eight
    } else {
        png::BitDepth::Sixteen
    };
    info.exif_metadata = Some(Cow::Owned(block(fields)?));
    let mut out = Vec::new();
    let mut encoder = png::Encoder::with_info(&mut out, info)?;
    encoder.set_compression(png::Compression::Fast);
    encoder
        .write_header()?
        .write_image_data(&big_endian(pixels)?)?;
    Ok(out)
}

/// A baseline TIFF in one strip with the EXIF fields in its directories (TIFF 6.0).
///
/// # Errors
/// Those of the encoder; `InvalidInput` for float samples.
pub fn tiff(pixels: &Pixels, fields: &[Field]) -> io::Result<Vec<u8>> {
    let (rows, columns, channels) = pixels.dim();
    let data = big_endian(pixels)?;
    let photometric = if channels == 1 { 1 } else { 2 };
    let mut all = vec![
        field(Tag::ImageWidth, Value::Long(vec![columns as u32])),
        field(Tag::ImageLength, Value::Long(vec![rows as u32])),
        field(
            Tag::BitsPerSample,
            Value::Short(vec![pixels.bits() as u16; channels]),
        ),
        field(Tag::Compression, Value::Short(vec![1])),
        field(
            Tag::PhotometricInterpretation,
            Value::Short(vec![photometric]),
        ),
        field(Tag::SamplesPerPixel, Value::Short(vec![channels as u16])),
        field(Tag::RowsPerStrip, Value::Long(vec![rows as u32])),
        field(Tag::PlanarConfiguration, Value::Short(vec![1])),
    ];
    all.extend_from_slice(fields);
    write(&all, &[&data])
}

fn big_endian(pixels: &Pixels) -> io::Result<Vec<u8>> {
    match pixels {
        Pixels::U8(a) => Ok(a.iter().copied().collect()),
        Pixels::U16(a) => Ok(a.iter().flat_map(|v| v.to_be_bytes()).collect()),
        Pixels::F32(_) => Err(io::Error::from(io::ErrorKind::InvalidInput)),
    }
}
