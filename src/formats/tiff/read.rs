//! Reads TIFF 6.0 and BigTIFF: grey and RGB, 8 and 16-bit, 32-bit unsigned, floating point.
use crate::fault::Fault;
use crate::metadata;
use crate::read::{Decoded, check_size, drop_alpha};
use exif::{Context, Field, In, Value as ExifValue};
use ndarray::Array3;
use std::io::{BufRead, Cursor, Read, Seek, SeekFrom};
use stopspan_core::model::{Compression, Header, Limits};
use stopspan_core::raster::Pixels;
use tiff::decoder::ifd::Value;
use tiff::decoder::{Decoder, DecodingResult, Limits as TiffLimits};
use tiff::tags::{IfdPointer, Tag};
use tiff::{ColorType, TiffError};

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

/// Decodes a file whose size was checked against the limits. 32-bit unsigned samples become float fractions of full
/// scale; half and double precision become float; transparency is dropped.
pub(crate) fn decode(bytes: &[u8]) -> Result<Decoded, Fault> {
    let mut decoder = Decoder::new(Cursor::new(bytes)).map_err(fault)?;
    let (columns, rows) = decoder.dimensions().map_err(fault)?;
    let (stored, wanted) = channels(decoder.colortype().map_err(fault)?)?;
    let planar = decoder
        .find_tag_unsigned::<u16>(Tag::PlanarConfiguration)
        .map_err(fault)?
        == Some(2);
    let layout = decoder.image_buffer_layout().map_err(fault)?;
    // LZW, the most effective of the schemes read, expands a byte to less than 4096 bytes
    if layout.complete_len / 4096 > bytes.len() {
        return Err(Fault::damaged(
            "the file is too short for the size it claims",
        ));
    }
    let mut limits = TiffLimits::default();
    limits.decoding_buffer_size = layout.complete_len.max(1 << 20);
    limits.intermediate_buffer_size = layout.complete_len.max(1 << 20);
    let mut decoder = decoder.with_limits(limits);
    let mut samples = DecodingResult::U8(Vec::new());
    decoder.read_image_to_buffer(&mut samples).map_err(fault)?;
    let arrange = Arrange {
        shape: (rows as usize, columns as usize, wanted),
        stored,
        planar: planar && stored > 1,
    };
    Ok(Decoded {
        pixels: arrange.pixels(samples)?,
        compression: Compression::Lossless,
        damaged: false,
        raw: None,
    })
}

/// Samples stored for a pixel, and how many of them are kept.
fn channels(kind: ColorType) -> Result<(usize, usize), Fault> {
    let what = match kind {
        ColorType::Gray(bits) | ColorType::RGB(bits) if bits < 8 => format!("{bits}-bit TIFF"),
        ColorType::Gray(_) => return Ok((1, 1)),
        ColorType::GrayA(_) => return Ok((2, 1)),
        ColorType::RGB(_) => return Ok((3, 3)),
        ColorType::RGBA(_) => return Ok((4, 3)),
        ColorType::Palette(_) => "a palette TIFF".into(),
        ColorType::CMYK(_) | ColorType::CMYKA(_) => "four-colour (CMYK) TIFF".into(),
        ColorType::YCbCr(_) => "JPEG or YCbCr data in TIFF".into(),
        ColorType::Lab(_) => "CIELAB TIFF".into(),
        _ => "TIFF with further bands".into(),
    };
    Err(Fault::unsupported(what))
}

/// Arranges the file's samples as rows, columns, channels.
struct Arrange {
    shape: (usize, usize, usize),
    stored: usize,
    planar: bool,
}

impl Arrange {
    fn pixels(&self, samples: DecodingResult) -> Result<Pixels, Fault> {
        Ok(match samples {
            DecodingResult::U8(v) => Pixels::U8(self.array(v)?),
            DecodingResult::U16(v) => Pixels::U16(self.array(v)?),
            DecodingResult::F32(v) => Pixels::F32(self.array(v)?),
            DecodingResult::F16(v) => {
                Pixels::F32(self.array(v.iter().map(|h| h.to_f32()).collect())?)
            }
            DecodingResult::F64(v) => {
                Pixels::F32(self.array(v.iter().map(|&d| d as f32).collect())?)
            }
            DecodingResult::U32(v) => {
                let scale = 1.0 / f64::from(u32::MAX);
                let fractions = v.iter().map(|&n| (f64::from(n) * scale) as f32);
                Pixels::F32(self.array(fractions.collect())?)
            }
            _ => return Err(Fault::unsupported("signed or 64-bit integer TIFF")),
        })
    }

    fn array<T: Copy>(&self, samples: Vec<T>) -> Result<Array3<T>, Fault> {
        let (rows, columns, wanted) = self.shape;
        let count = rows * columns;
        if samples.len() != count * self.stored {
            return Err(Fault::damaged("fewer samples than pixels"));
        }
        let samples = if self.planar {
            (0..count)
                .flat_map(|pixel| (0..wanted).map(move |k| k * count + pixel))
                .map(|place| samples[place])
                .collect()
        } else {
            drop_alpha(samples, self.stored, wanted)
        };
        Array3::from_shape_vec(self.shape, samples).map_err(Fault::damaged)
    }
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

fn fault(error: TiffError) -> Fault {
    match error {
        TiffError::UnsupportedError(what) => Fault::unsupported(format!("a TIFF variant ({what})")),
        TiffError::IoError(e) => e.into(),
        other => Fault::damaged(other),
    }
}
