//! Writes 16-bit grey and RGB as TIFF 6.0, with ICC profile and EXIF, in strips deflated in parallel.
use crate::Carried;
use crate::deflate::zlib;
use exif::{Context, Field, Value};
use ndarray::ArrayView3;
use rayon::prelude::*;
use std::io;

/// Rows in a strip.
const STRIP: usize = 64;
/// Tags with offsets of further directories (Exif 2.32, table 1).
const EXIF_DIRECTORY: u16 = 0x8769;
const GPS_DIRECTORY: u16 = 0x8825;

/// A directory entry: type, count and value bytes, little-endian.
struct Entry {
    tag: u16,
    kind: u16,
    count: u32,
    bytes: Vec<u8>,
}

impl Entry {
    fn short(tag: u16, values: &[u16]) -> Self {
        Entry {
            tag,
            kind: 3,
            count: values.len() as u32,
            bytes: values.iter().flat_map(|v| v.to_le_bytes()).collect(),
        }
    }

    fn long(tag: u16, values: &[u32]) -> Self {
        Entry {
            tag,
            kind: 4,
            count: values.len() as u32,
            bytes: values.iter().flat_map(|v| v.to_le_bytes()).collect(),
        }
    }

    fn bytes(tag: u16, kind: u16, bytes: Vec<u8>) -> Self {
        Entry {
            tag,
            kind,
            count: bytes.len() as u32,
            bytes,
        }
    }

    /// Converts an EXIF field; `None` for types that are not copied.
    fn of(field: &Field) -> Option<Self> {
        let tag = field.tag.number();
        let pairs = |v: Vec<[u8; 8]>, kind| Entry {
            tag,
            kind,
            count: v.len() as u32,
            bytes: v.concat(),
        };
        Some(match &field.value {
            Value::Byte(v) => Entry::bytes(tag, 1, v.clone()),
            Value::Ascii(parts) => {
                let mut text = parts.join(&0);
                text.push(0);
                Entry::bytes(tag, 2, text)
            }
            Value::Short(v) => Entry::short(tag, v),
            Value::Long(v) => Entry::long(tag, v),
            Value::Undefined(v, _) => Entry::bytes(tag, 7, v.clone()),
            Value::Rational(v) => {
                let pair = |r: &exif::Rational| pair(r.num.to_le_bytes(), r.denom.to_le_bytes());
                pairs(v.iter().map(pair).collect(), 5)
            }
            Value::SRational(v) => {
                let pair = |r: &exif::SRational| pair(r.num.to_le_bytes(), r.denom.to_le_bytes());
                pairs(v.iter().map(pair).collect(), 10)
            }
            _ => return None,
        })
    }
}

fn pair(a: [u8; 4], b: [u8; 4]) -> [u8; 8] {
    let mut both = [0; 8];
    both[..4].copy_from_slice(&a);
    both[4..].copy_from_slice(&b);
    both
}

/// Encodes 16-bit samples (1 or 3 channels). The bytes do not depend on the number of threads.
///
/// # Errors
/// `InvalidInput` for an empty picture, other channel counts, or a file beyond the 4 GiB of the format.
pub fn encode16(
    samples: ArrayView3<u16>,
    icc: Option<&[u8]>,
    carried: &Carried,
) -> io::Result<Vec<u8>> {
    let (rows, columns, channels) = samples.dim();
    if samples.is_empty() || !matches!(channels, 1 | 3) {
        return Err(invalid("no samples, or neither 1 nor 3 channels"));
    }
    let (Ok(width), Ok(height)) = (u32::try_from(columns), u32::try_from(rows)) else {
        return Err(invalid("a side that TIFF cannot hold"));
    };
    let samples = samples.as_standard_layout();
    let data = samples.as_slice().ok_or(invalid("samples not in order"))?;
    let line = columns * channels;
    let strips: Vec<Vec<u8>> = data
        .par_chunks(STRIP * line)
        .map(|rows| zlib(&differences(rows, line, channels)))
        .collect();

    let mut out = b"II\x2a\0\0\0\0\0".to_vec();
    let mut offsets = Vec::with_capacity(strips.len());
    let lengths: Vec<u32> = strips.iter().map(|s| s.len() as u32).collect();
    for strip in strips {
        offsets.push(end_offset(&out)?);
        out.extend(strip);
        pad_to_even(&mut out);
    }
    let mut first = vec![
        Entry::long(256, &[width]),
        Entry::long(257, &[height]),
        Entry::short(258, &vec![16; channels]),
        Entry::short(259, &[8]), // deflate (second supplement to TIFF 6.0, 2002)
        Entry::short(262, &[if channels == 3 { 2 } else { 1 }]),
        Entry::long(273, &offsets),
        Entry::short(277, &[channels as u16]),
        Entry::long(278, &[STRIP as u32]),
        Entry::long(279, &lengths),
        Entry::short(284, &[1]),
        Entry::short(317, &[2]), // differences along rows
        Entry::short(339, &vec![1; channels]),
    ];
    first.extend(icc.map(|profile| Entry::bytes(34675, 7, profile.to_vec())));
    first.extend(entries_of(carried, Context::Tiff));
    for (pointer, context) in [
        (EXIF_DIRECTORY, Context::Exif),
        (GPS_DIRECTORY, Context::Gps),
    ] {
        let entries = entries_of(carried, context);
        if !entries.is_empty() {
            let at = directory(&mut out, entries)?;
            first.push(Entry::long(pointer, &[at]));
        }
    }
    let at = directory(&mut out, first)?;
    out[4..8].copy_from_slice(&at.to_le_bytes());
    Ok(out)
}

/// The copied fields that belong to one directory.
fn entries_of(carried: &Carried, context: Context) -> Vec<Entry> {
    let fields = carried.fields().iter();
    fields
        .filter(|f| f.tag.context() == context)
        .filter_map(Entry::of)
        .collect()
}

/// Differences to the pixel on the left, little-endian (TIFF 6.0, section 14).
fn differences(rows: &[u16], line: usize, channels: usize) -> Vec<u8> {
    let mut out = Vec::with_capacity(2 * rows.len());
    for row in rows.chunks_exact(line) {
        out.extend(row[..channels].iter().flat_map(|v| v.to_le_bytes()));
        let steps = row[channels..].iter().zip(row);
        out.extend(steps.flat_map(|(v, left)| v.wrapping_sub(*left).to_le_bytes()));
    }
    out
}

/// Appends a directory, preceded by values that do not fit an entry; returns its offset.
fn directory(out: &mut Vec<u8>, mut entries: Vec<Entry>) -> io::Result<u32> {
    entries.sort_by_key(|e| e.tag);
    let mut table = (entries.len() as u16).to_le_bytes().to_vec();
    for entry in entries {
        table.extend(entry.tag.to_le_bytes());
        table.extend(entry.kind.to_le_bytes());
        table.extend(entry.count.to_le_bytes());
        if entry.bytes.len() <= 4 {
            let mut value = entry.bytes;
            value.resize(4, 0);
            table.extend(value);
        } else {
            table.extend(end_offset(out)?.to_le_bytes());
            out.extend(entry.bytes);
            pad_to_even(out);
        }
    }
    table.extend([0; 4]); // no further directory
    let at = end_offset(out)?;
    out.extend(table);
    Ok(at)
}

fn end_offset(out: &[u8]) -> io::Result<u32> {
    u32::try_from(out.len()).map_err(|_| invalid("a file beyond 4 GiB"))
}

fn pad_to_even(out: &mut Vec<u8>) {
    if out.len() % 2 == 1 {
        out.push(0);
    }
}

fn invalid(what: &str) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidInput, what)
}
