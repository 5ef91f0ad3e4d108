//! Reads PNG files: grey, RGB and palette, 1 to 16 bits.
use crate::fault::Fault;
use crate::memory;
use crate::metadata;
use crate::read::{Decoded, drop_alpha};
use ndarray::Array3;
use png::{BitDepth, ColorType, Decoder, DecodingError, Info, Transformations};
use std::io::{BufRead, Cursor, Seek};
use stopspan_core::model::{Compression, Footprint, Header};
use stopspan_core::raster::Pixels;

/// Size, EXIF (chunk eXIf) and ICC profile, from the chunks before the picture data.
pub(crate) fn header(file: &mut (impl BufRead + Seek)) -> Result<Header, Fault> {
    let reader = Decoder::new(file).read_info().map_err(fault)?;
    let info = reader.info();
    let mut header = Header {
        columns: info.width as usize,
        rows: info.height as usize,
        footprint: footprint(info),
        icc_profile: info.icc_profile.as_ref().map(|p| p.to_vec()),
        ..Header::default()
    };
    if let Some(block) = &info.exif_metadata {
        metadata::fill(&mut header, block.to_vec());
    }
    Ok(header)
}

/// Samples with transparency as decoded, of which colours are kept; wide ones are put into the machine's order in a second buffer.
fn footprint(info: &Info) -> Footprint {
    let pixels = u64::from(info.width) * u64::from(info.height);
    let channels = match info.color_type {
        ColorType::Grayscale => 1,
        ColorType::GrayscaleAlpha => 2,
        ColorType::Rgb => 3,
        ColorType::Rgba | ColorType::Indexed => 4,
    };
    let wide = info.bit_depth == BitDepth::Sixteen;
    let decoded = pixels * channels * if wide { 2 } else { 1 };
    Footprint {
        samples: decoded,
        decoding: if wide { decoded } else { 0 },
    }
}

/// Decodes a file whose size was checked against the limits. Palettes and 1, 2 and 4-bit grey become 8-bit;
/// transparency is dropped.
pub(crate) fn decode(bytes: &[u8]) -> Result<Decoded, Fault> {
    let mut decoder = Decoder::new(Cursor::new(bytes));
    decoder.set_transformations(Transformations::EXPAND);
    let mut reader = decoder.read_info().map_err(fault)?;
    let size = reader
        .output_buffer_size()
        .ok_or(Fault::damaged("a size beyond memory"))?;
    // one byte of deflate expands to at most 1032 bytes (RFC 1951: 258 bytes for 2 bits)
    if size / 1032 / 8 > bytes.len() {
        return Err(Fault::damaged(
            "the file is too short for the size it claims",
        ));
    }
    let mut data = memory::zeroed(size)?;
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
            let wide = memory::converted(data.as_chunks::<2>().0, |b| u16::from_be_bytes(*b))?;
            Pixels::U16(shaped(shape, drop_alpha(wide, stored, wanted))?)
        }
        _ => Pixels::U8(shaped(shape, drop_alpha(data, stored, wanted))?),
    };
    Ok(Decoded {
        pixels,
        compression: Compression::Lossless,
        damaged: false,
        raw: None,
    })
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
