//! Size and metadata of TIFF 6.0 and BigTIFF files.
use super::decode::footprint;
use crate::fault::Fault;
use crate::metadata;
use crate::read::check_size;
use exif::{Context, Field, In, Value as ExifValue};
use std::io::{BufRead, Read, Seek, SeekFrom};
use stopspan_core::model::{Header, Limits};
use tiff::TiffError;
use tiff::decoder::Decoder;
use tiff::decoder::ifd::Value;
use tiff::tags::{IfdPointer, Tag};

/// Tags of the first directory that describe the picture, not the file (TIFF 6.0; Exif 2.32 table 4).
const DESCRIPTIVE: [u16; 8] = [
    0x010e, 0x010f, 0x0110, 0x0112, 0x0131, 0x0132, 0x013b, 0x8298,
];
/// Camera settings that some writers (TIFF/EP) put into the first directory: time, f-number, speed.
const SETTINGS: [u16; 3] = [0x829a, 0x829d, 0x8827];
/// MakerNote contains offsets into its file and cannot be copied.
const MAKER_NOTE: u16 = 0x927c;

/// Size, EXIF and ICC profile from the first directory. The size is checked against the limits before the decoder
/// locates the samples, because it would report damage first.
pub(crate) fn header(file: &mut (impl BufRead + Seek), limits: &Limits) -> Result<Header, Fault> {
    if let Some((columns, rows)) = claimed_size(file) {
        check_size(columns, rows, limits)?;
    }
    file.seek(SeekFrom::Start(0))?;
    let mut decoder = Decoder::new(file).map_err(fault)?;
    let (columns, rows) = decoder.dimensions().map_err(fault)?;
    let icc = decoder.find_tag(Tag::IccProfile).ok().flatten();
    let mut header = Header {
        columns: columns as usize,
        rows: rows as usize,
        footprint: footprint(&mut decoder),
        icc_profile: icc.and_then(|value| value.into_u8_vec().ok()),
        ..Header::default()
    };
    if let Some(block) = metadata::block_of(&fields(&mut decoder)) {
        metadata::fill(&mut header, block);
    }
    Ok(header)
}

/// Columns and rows in the first directory (TIFF 6.0, section 2; BigTIFF has wider counts and offsets).
fn claimed_size(file: &mut (impl Read + Seek)) -> Option<(u64, u64)> {
    let mut four = [0; 4];
    file.read_exact(&mut four).ok()?;
    let little = four[0] == b'I';
    let number = |bytes: &[u8]| {
        let shift = |n: u64, b: &u8| n << 8 | u64::from(*b);
        match little {
            true => bytes.iter().rev().fold(0, shift),
            false => bytes.iter().fold(0, shift),
        }
    };
    let wide = number(&four[2..]) == 43;
    let (count_bytes, word) = if wide { (8, 8) } else { (2, 4) };
    if wide {
        bytes_of(file, 4)?; // size of offsets, reserved
    }
    let directory = number(&bytes_of(file, word)?);
    file.seek(SeekFrom::Start(directory)).ok()?;
    let entries = number(&bytes_of(file, count_bytes)?).min(u64::from(u16::MAX));
    let mut size = (None, None);
    for _ in 0..entries {
        let entry = bytes_of(file, 4 + 2 * word)?;
        let bytes = match number(&entry[2..4]) {
            3 => 2,
            4 => 4,
            16 if wide => 8,
            _ => continue,
        };
        let value = number(&entry[4 + word..4 + word + bytes]);
        match number(&entry[..2]) {
            256 => size.0 = Some(value),
            257 => size.1 = Some(value),
            _ => {}
        }
    }
    size.0.zip(size.1)
}

fn bytes_of(file: &mut impl Read, count: usize) -> Option<Vec<u8>> {
    let mut bytes = vec![0; count];
    file.read_exact(&mut bytes).ok().map(|()| bytes)
}

/// Descriptive fields of the first directory and all fields of its EXIF directory; unreadable ones are skipped.
fn fields<R: Read + Seek>(decoder: &mut Decoder<R>) -> Vec<Field> {
    let mut fields = Vec::new();
    for (tag, value) in decoder.tag_iter().flatten() {
        let number = tag.to_u16();
        if DESCRIPTIVE.contains(&number) {
            fields.extend(field(Context::Tiff, number, value));
        } else if SETTINGS.contains(&number) {
            fields.extend(field(Context::Exif, number, value));
        }
    }
    let pointer = decoder.find_tag_unsigned::<u64>(Tag::ExifDirectory);
    if let Ok(Some(place)) = pointer
        && let Ok(directory) = decoder.read_directory(IfdPointer(place))
    {
        for (tag, value) in decoder.read_directory_tags(&directory).tag_iter().flatten() {
            let number = tag.to_u16();
            if number != MAKER_NOTE && !fields.iter().any(|f: &Field| f.tag.number() == number) {
                fields.extend(field(Context::Exif, number, value));
            }
        }
    }
    fields
}

fn field(context: Context, number: u16, value: Value) -> Option<Field> {
    Some(Field {
        tag: exif::Tag(context, number),
        ifd_num: In::PRIMARY,
        value: exif_value(value)?,
    })
}

/// Converts a value to the EXIF reader's type; `None` for types EXIF does not have.
fn exif_value(value: Value) -> Option<ExifValue> {
    let list = match value {
        Value::List(list) => list,
        Value::Ascii(text) => return Some(ExifValue::Ascii(vec![text.into_bytes()])),
        single => vec![single],
    };
    Some(match list.first()? {
        Value::Byte(_) => ExifValue::Byte(all(&list, |v| match v {
            Value::Byte(n) => Some(*n),
            _ => None,
        })?),
        Value::Short(_) => ExifValue::Short(all(&list, |v| match v {
            Value::Short(n) => Some(*n),
            _ => None,
        })?),
        Value::Unsigned(_) => ExifValue::Long(all(&list, |v| match v {
            Value::Unsigned(n) => Some(*n),
            _ => None,
        })?),
        Value::Rational(..) => ExifValue::Rational(all(&list, |v| match v {
            Value::Rational(num, denom) => Some(exif::Rational {
                num: *num,
                denom: *denom,
            }),
            _ => None,
        })?),
        Value::SRational(..) => ExifValue::SRational(all(&list, |v| match v {
            Value::SRational(num, denom) => Some(exif::SRational {
                num: *num,
                denom: *denom,
            }),
            _ => None,
        })?),
        _ => return None,
    })
}

fn all<T>(list: &[Value], take: impl Fn(&Value) -> Option<T>) -> Option<Vec<T>> {
    list.iter().map(take).collect()
}

pub(super) fn fault(error: TiffError) -> Fault {
    match error {
        TiffError::UnsupportedError(what) => Fault::unsupported(format!("a TIFF variant ({what})")),
        TiffError::IoError(e) => e.into(),
        other => Fault::damaged(other),
    }
}
