//! PNG (Third Edition): 1 to 16-bit gray, RGB and palette in; 8 and 16-bit gray and RGB out.
use super::fault::Fault;
use super::read::{Decoded, drop_alpha};
use super::{Compression, Header, metadata};
use crate::raster::Pixels;
use ndarray::{Array3, ArrayView3};
use png::{BitDepth, ColorType, Decoder, DecodingError, Transformations};
use std::io::{self, BufRead, Cursor, Seek};

/// Size, EXIF (chunk eXIf) and ICC profile, from the chunks before the picture.
pub(super) fn header(file: &mut (impl BufRead + Seek)) -> Result<Header, Fault> {
    let reader = Decoder::new(file).read_info().map_err(fault)?;
    let info = reader.info();
    let mut header = Header {
        columns: info.width as usize,
        rows: info.height as usize,
        icc_profile: info.icc_profile.as_ref().map(|p| p.to_vec()),
        ..Header::default()
    };
    if let Some(block) = &info.exif_metadata {
        metadata::fill(&mut header, block.to_vec());
    }
    Ok(header)
}

/// Decodes a file whose size was held against the limits already. Palettes and 1, 2 and 4-bit gray become 8-bit;
/// transparency is dropped.
pub(super) fn decode(bytes: &[u8]) -> Result<Decoded, Fault> {
    let mut decoder = Decoder::new(Cursor::new(bytes));
    decoder.set_transformations(Transformations::EXPAND);
    let mut reader = decoder.read_info().map_err(fault)?;
    let size = reader
        .output_buffer_size()
        .ok_or(Fault::damaged("a size beyond memory"))?;
    // one byte of deflate cannot stand for more than 1032 bytes (RFC 1951: 258 bytes for 2 bits)
    if size / 1032 / 8 > bytes.len() {
        return Err(Fault::damaged(
            "the file is too short for the size it claims",
        ));
    }
    let mut data = vec![0; size];
    let frame = reader.next_frame(&mut data).map_err(fault)?;
    reader.finish().map_err(fault)?; // a cut or false end is damage
    let (stored, wanted) = match frame.color_type {
        ColorType::Grayscale => (1, 1),
        ColorType::GrayscaleAlpha => (2, 1),
        ColorType::Rgb => (3, 3),
        ColorType::Rgba => (4, 3),
        ColorType::Indexed => return Err(Fault::damaged("a palette that could not be applied")),
    };
    let shape = (frame.height as usize, frame.width as usize, wanted);
    let pixels = match frame.bit_depth {
        BitDepth::Sixteen => {
            let wide: Vec<u16> = data
                .chunks_exact(2)
                .map(|b| u16::from_be_bytes([b[0], b[1]]))
                .collect();
            Pixels::U16(shaped(shape, drop_alpha(wide, stored, wanted))?)
        }
        _ => Pixels::U8(shaped(shape, drop_alpha(data, stored, wanted))?),
    };
    Ok(Decoded {
        pixels,
        compression: Compression::Lossless,
        damaged: false,
    })
}

/// Encodes 8-bit samples (1 or 3 channels), with a colour profile if given.
///
/// # Errors
/// `InvalidInput` for an empty picture, other channel counts or sides beyond 2^31.
pub fn encode8(samples: ArrayView3<u8>, icc: Option<&[u8]>) -> io::Result<Vec<u8>> {
    let data: Vec<u8> = samples.iter().copied().collect();
    encode(samples.dim(), &data, icc, BitDepth::Eight)
}

/// Encodes 16-bit samples, otherwise as [`encode8`].
///
/// # Errors
/// As [`encode8`].
pub fn encode16(samples: ArrayView3<u16>, icc: Option<&[u8]>) -> io::Result<Vec<u8>> {
    let data: Vec<u8> = samples.iter().flat_map(|v| v.to_be_bytes()).collect();
    encode(samples.dim(), &data, icc, BitDepth::Sixteen)
}

/// `data` are the samples as the file wants them. Paeth's filter and the fixed code of the fast scheme.
fn encode(
    (rows, columns, channels): (usize, usize, usize),
    data: &[u8],
    icc: Option<&[u8]>,
    depth: BitDepth,
) -> io::Result<Vec<u8>> {
    let kind = match channels {
        1 => ColorType::Grayscale,
        3 => ColorType::Rgb,
        _ => return Err(invalid("neither 1 nor 3 channels")),
    };
    let (Ok(width), Ok(height)) = (u32::try_from(columns), u32::try_from(rows)) else {
        return Err(invalid("a side that PNG cannot hold"));
    };
    let mut info = png::Info::with_size(width, height);
    (info.color_type, info.bit_depth) = (kind, depth);
    info.icc_profile = icc.map(|profile| profile.to_vec().into());
    let mut out = Vec::new();
    let mut encoder = png::Encoder::with_info(&mut out, info).map_err(io::Error::other)?;
    encoder.set_compression(png::Compression::Fast);
    encoder.set_filter(png::Filter::Paeth);
    let mut writer = encoder.write_header().map_err(io::Error::other)?;
    let written = writer.write_image_data(data);
    written.map_err(io::Error::other)?;
    writer.finish().map_err(io::Error::other)?;
    Ok(out)
}

fn invalid(what: &str) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidInput, what)
}

fn shaped<T>(shape: (usize, usize, usize), data: Vec<T>) -> Result<Array3<T>, Fault> {
    Array3::from_shape_vec(shape, data).map_err(Fault::damaged)
}

fn fault(error: DecodingError) -> Fault {
    match error {
        DecodingError::IoError(e) => e.into(),
        other => Fault::damaged(other),
    }
}
