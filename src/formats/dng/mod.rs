//! DNG (Adobe, Digital Negative specification 1.7): mosaic, linear and monochrome raw pictures as linear samples.
//!
//! In reading order: `directory` (TIFF directories under limits), `describe` (which picture, and its tags), `levels`
//! (codes to linear samples), `opcodes`, `chunks` (strips and tiles) and `lossless_jpeg`, which it uses.
mod chunks;
mod describe;
mod directory;
mod levels;
mod lossless_jpeg;
mod opcodes;

use super::fault::Fault;
use super::metadata;
use super::read::{Decoded, check_size};
use super::sniff::UNKNOWN_FAMILY;
use describe::{Directories, Kind, Layout};
use directory::{Directory, Structure};
use exif::{Context, Field, In, Value};
use levels::Levels;
use ndarray::Array3;
use std::io::{BufRead, Cursor, Seek};
use stopspan_core::model::{Compression, Header, Limits};
use stopspan_core::raster::Pixels;

/// Tag with the offset of the EXIF directory.
const EXIF: u16 = 34665;
/// Tags of the first directory that describe picture and camera (TIFF 6.0; Exif 2.32 table 4).
const DESCRIPTIVE: [u16; 8] = [
    0x010e, 0x010f, 0x0110, 0x0112, 0x0131, 0x0132, 0x013b, 0x8298,
];
/// Camera settings that some writers put into the first directory: time, f-number, speed, date of capture.
const SETTINGS: [u16; 4] = [0x829a, 0x829d, 0x8827, 0x9003];

/// Header of a DNG file; `None` for a TIFF file that is not raw. The size is that of the crop before orientation.
pub(super) fn header(
    file: &mut (impl BufRead + Seek),
    limits: &Limits,
) -> Result<Option<Header>, Fault> {
    let Some(mut file) = Structure::open(file)? else {
        return Ok(None);
    };
    // A file whose directories cannot be read is left to the TIFF reader.
    let all = match describe::examine(&mut file) {
        Ok(Kind::Dng(all)) => all,
        Ok(Kind::Previews) => return Err(Fault::raw_variant("previews alone")),
        Ok(Kind::Other) => return Err(Fault::other_raw(UNKNOWN_FAMILY)),
        Ok(Kind::NotRaw) | Err(_) => return Ok(None),
    };
    let layout = Layout::read(&all.raw)?;
    check_size(layout.columns as u64, layout.rows as u64, limits)?;
    let mut header = Header {
        columns: layout.crop.width,
        rows: layout.crop.height,
        footprint: layout.footprint(),
        ..Header::default()
    };
    let exif = all.first.number(EXIF);
    let exif = exif.and_then(|place| file.directory(place).ok());
    if let Some(block) = metadata::block_of(&fields(&all.first, exif.as_ref(), file.little())) {
        metadata::fill(&mut header, block);
    }
    // The raw picture's own orientation, if the first directory has none.
    if header.orientation.is_none() {
        header.orientation = all.raw.number(274).map(|v| v as u32);
    }
    Ok(Some(header))
}

/// Decodes a file that [`header`] accepted: samples of the crop before orientation, and their raw metadata.
pub(super) fn decode(bytes: &[u8]) -> Result<Decoded, Fault> {
    let not_raw = || Fault::damaged("it is no raw file any more");
    let mut file = Structure::open(Cursor::new(bytes))?.ok_or_else(not_raw)?;
    let Kind::Dng(all) = describe::examine(&mut file)? else {
        return Err(not_raw());
    };
    let Directories { raw: d, .. } = &*all;
    let layout = Layout::read(d)?;
    let levels = Levels::read(d, layout.samples, layout.bits)?;
    let samples = chunks::decode(bytes, d, file.little(), &layout, &levels)?;
    let shape = (layout.crop.height, layout.crop.width, layout.samples);
    Ok(Decoded {
        pixels: Pixels::U16(Array3::from_shape_vec(shape, samples).map_err(Fault::damaged)?),
        compression: Compression::Lossless,
        damaged: false,
        raw: Some(Box::new(describe::raw(&all, &layout, &levels))),
    })
}

/// Descriptive fields of the first directory and all fields of the EXIF directory.
fn fields(first: &Directory, exif: Option<&Directory>, little: bool) -> Vec<Field> {
    let mut fields = Vec::new();
    for entry in &first.entries {
        let context = match entry.tag {
            tag if DESCRIPTIVE.contains(&tag) => Context::Tiff,
            tag if SETTINGS.contains(&tag) => Context::Exif,
            _ => continue,
        };
        fields.extend(field(context, entry, little));
    }
    for entry in exif.iter().flat_map(|d| &d.entries) {
        fields.retain(|f: &Field| f.tag.number() != entry.tag || f.tag.context() == Context::Tiff);
        fields.extend(field(Context::Exif, entry, little));
    }
    fields
}

/// Converts an entry to an EXIF field; `None` for types that EXIF does not have.
fn field(context: Context, entry: &directory::Entry, little: bool) -> Option<Field> {
    let parts = entry.parts(little);
    let halves = || entry.bytes.chunks_exact(8).map(|p| p.split_at(4));
    let long = |bytes: &[u8]| directory::unsigned(bytes, little) as u32;
    let value = match entry.kind {
        1 => Value::Byte(entry.bytes.clone()),
        2 => Value::Ascii(vec![text(&entry.bytes).to_vec()]),
        3 => Value::Short(parts.iter().map(|&v| v as u16).collect()),
        4 => Value::Long(parts.iter().map(|&v| v as u32).collect()),
        5 => Value::Rational(
            halves()
                .map(|(n, d)| exif::Rational {
                    num: long(n),
                    denom: long(d),
                })
                .collect(),
        ),
        7 => Value::Undefined(entry.bytes.clone(), 0),
        10 => Value::SRational(
            halves()
                .map(|(n, d)| exif::SRational {
                    num: long(n) as i32,
                    denom: long(d) as i32,
                })
                .collect(),
        ),
        _ => return None,
    };
    Some(Field {
        tag: exif::Tag(context, entry.tag),
        ifd_num: In::PRIMARY,
        value,
    })
}

/// Text up to its first NUL byte.
fn text(bytes: &[u8]) -> &[u8] {
    bytes.split(|&b| b == 0).next().unwrap_or_default()
}
