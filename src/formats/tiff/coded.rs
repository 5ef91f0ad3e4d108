//! JPEG data within TIFF files (Adobe, TIFF Technical Note 2), and the YCbCr samples that they hold.
use super::read::fault;
use crate::fault::Fault;
use crate::jpeg;
use std::io::{Read, Seek};
use stopspan_core::model::Compression;
use tiff::decoder::Decoder;
use tiff::decoder::ifd::Value;
use tiff::tags::Tag;

/// TIFF's number for JPEG compression.
pub(super) const JPEG: u16 = 7;
const COEFFICIENTS: Tag = Tag::Unknown(529);
const REFERENCE: Tag = Tag::Unknown(532);

/// What the JPEG data lose, by the tables of the first strip or tile. Every strip or tile must state a size that it can have, so that
/// a false one costs no memory.
pub(super) fn compression<R: Read + Seek>(
    decoder: &mut Decoder<R>,
    bytes: &[u8],
) -> Result<Compression, Fault> {
    let mut numbers = |tag| {
        let found = decoder.find_tag_unsigned_vec::<u64>(tag).map_err(fault)?;
        Ok::<_, Fault>(found.unwrap_or_default())
    };
    let mut offsets = numbers(Tag::StripOffsets)?;
    let mut lengths = numbers(Tag::StripByteCounts)?;
    if offsets.is_empty() {
        (offsets, lengths) = (numbers(Tag::TileOffsets)?, numbers(Tag::TileByteCounts)?);
    }
    let tables = decoder.find_tag(Tag::JPEGTables).map_err(fault)?;
    let tables = tables.map(Value::into_u8_vec).transpose();
    let tables = tables.map_err(fault)?.unwrap_or_default();
    let (columns, rows) = decoder.chunk_dimensions();
    let height = decoder.dimensions().map_err(fault)?.1;
    // whole blocks of 16 x 16
    let columns = columns.next_multiple_of(16);
    let rows = rows.min(height).next_multiple_of(16);
    let mut first = None;
    for (offset, length) in offsets.into_iter().zip(lengths) {
        let beyond = || Fault::damaged("JPEG data beyond the end of the file");
        let start = usize::try_from(offset).map_err(|_| beyond())?;
        let length = usize::try_from(length).map_err(|_| beyond())?;
        let end = start.checked_add(length).ok_or_else(beyond)?;
        let data = bytes.get(start..end).ok_or_else(beyond)?;
        let stream = jpeg::stream(&tables, data)?;
        if u32::from(stream.columns) > columns || u32::from(stream.rows) > rows {
            return Err(Fault::damaged("JPEG data larger than their strip or tile"));
        }
        first = first.or(stream.compression);
    }
    first.ok_or(Fault::damaged("JPEG data without tables"))
}

/// True if LZW data have their bits in the order that writers used before TIFF 6.0: the first code, which clears the table, begins with
/// eight bits of 0 (common practice, no source).
pub(super) fn is_old_lzw<R: Read + Seek>(decoder: &mut Decoder<R>, bytes: &[u8]) -> bool {
    let first = |tag| {
        decoder
            .find_tag_unsigned_vec::<u64>(tag)
            .ok()??
            .first()
            .copied()
    };
    let offset = [Tag::StripOffsets, Tag::TileOffsets]
        .into_iter()
        .find_map(first);
    let start = offset.and_then(|offset| usize::try_from(offset).ok());
    let data = start.and_then(|start| bytes.get(start..));
    matches!(data, Some([0, second, ..]) if second & 1 == 1)
}

/// Changes Y, Cb, Cr of 8 bits to R, G, B in place (TIFF 6.0, section 21: YCbCrCoefficients and ReferenceBlackWhite, or their defaults).
pub(super) fn to_rgb<R: Read + Seek>(
    samples: &mut [u8],
    decoder: &mut Decoder<R>,
) -> Result<(), Fault> {
    let mut stated = |tag| {
        let value = decoder.find_tag(tag).map_err(fault)?;
        let numbers = value.map(real).filter(|n| n.iter().all(|v| v.is_finite()));
        Ok::<_, Fault>(numbers.unwrap_or_default())
    };
    let coefficients = stated(COEFFICIENTS)?;
    let reference = stated(REFERENCE)?;
    let (red, green, blue) = match coefficients[..] {
        [r, g, b] if g > 0.0 => (r, g, b),
        _ => (0.299, 0.587, 0.114),
    };
    let ends = match reference[..] {
        [a, b, c, d, e, f] if a != b && c != d && e != f => [a, b, c, d, e, f],
        _ => [0.0, 255.0, 128.0, 255.0, 128.0, 255.0],
    };
    // Chroma reaches from -127 to 127, luma from 0 to 255.
    let scaled = |code: u8, k: usize, full: f64| {
        (f64::from(code) - ends[2 * k]) * full / (ends[2 * k + 1] - ends[2 * k])
    };
    let tables: [[f64; 256]; 3] = std::array::from_fn(|k| {
        let full = if k == 0 { 255.0 } else { 127.0 };
        std::array::from_fn(|code| scaled(code as u8, k, full))
    });
    for pixel in samples.as_chunks_mut::<3>().0 {
        let [y, cb, cr] = std::array::from_fn(|k| tables[k][usize::from(pixel[k])]);
        let r = cr * (2.0 - 2.0 * red) + y;
        let b = cb * (2.0 - 2.0 * blue) + y;
        let g = (y - blue * b - red * r) / green;
        *pixel = [r, g, b].map(|v| v.round().clamp(0.0, 255.0) as u8);
    }
    Ok(())
}

/// Rational numbers as reals; empty for other types.
fn real(value: Value) -> Vec<f64> {
    let list = match value {
        Value::List(list) => list,
        single => vec![single],
    };
    let one = |v: &Value| match *v {
        Value::Rational(n, d) => Some(f64::from(n) / f64::from(d)),
        Value::Float(v) => Some(f64::from(v)),
        Value::Double(v) => Some(v),
        _ => None,
    };
    list.iter()
        .map(one)
        .collect::<Option<_>>()
        .unwrap_or_default()
}
