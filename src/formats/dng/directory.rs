//! TIFF directories (TIFF 6.0, section 2; BigTIFF): entries and their values, checked against the length of the file.
use super::super::fault::Fault;
use std::io::{Read, Seek, SeekFrom};
use stopspan_core::model::Rational;

/// Largest number of entries accepted in a directory.
const MOST_ENTRIES: u64 = 4096;
/// Longest value kept, bytes; longer ones (maker notes and private data) are skipped.
const LONGEST_VALUE: u64 = 4 << 20;
/// MakerNote and DNGPrivateData, which are long and not used.
const PASSED_OVER: [u16; 2] = [0x927c, 50740];

/// A file of TIFF structure, from which directories and values are read.
pub(super) struct Structure<R> {
    source: R,
    length: u64,
    little: bool,
    wide: bool,
    /// Offset of the first directory.
    pub first: u64,
}

/// One directory.
#[derive(Debug, Clone, Default)]
pub(super) struct Directory {
    pub entries: Vec<Entry>,
    little: bool,
    /// Offset of the next directory of the chain; 0 if there is none.
    pub next: u64,
}

/// One entry; its value's bytes are in the byte order of the file.
#[derive(Debug, Clone)]
pub(super) struct Entry {
    pub tag: u16,
    pub kind: u16,
    pub bytes: Vec<u8>,
}

/// Bytes of one value of a TIFF type; 0 for unknown types.
fn width(kind: u16) -> u64 {
    match kind {
        1 | 2 | 6 | 7 => 1,
        3 | 8 => 2,
        4 | 9 | 11 | 13 => 4,
        5 | 10 | 12 | 16 | 17 | 18 => 8,
        _ => 0,
    }
}

impl<R: Read + Seek> Structure<R> {
    /// Reads the header. `None` if the file has no TIFF structure.
    pub fn open(mut source: R) -> Result<Option<Self>, Fault> {
        let length = source.seek(SeekFrom::End(0))?;
        source.seek(SeekFrom::Start(0))?;
        let mut head = [0; 16];
        let mut have = 0;
        while have < head.len() {
            match source.read(&mut head[have..])? {
                0 => break,
                n => have += n,
            }
        }
        let little = match &head[..2] {
            b"II" => true,
            b"MM" => false,
            _ => return Ok(None),
        };
        let number = |bytes: &[u8]| unsigned(bytes, little);
        let (wide, first) = match number(&head[2..4]) {
            42 => (false, number(&head[4..8])),
            43 => (true, number(&head[8..16])),
            _ => return Ok(None),
        };
        Ok(Some(Structure {
            source,
            length,
            little,
            wide,
            first,
        }))
    }

    /// True if the file is little-endian.
    pub fn little(&self) -> bool {
        self.little
    }

    /// Reads the directory at an offset.
    pub fn directory(&mut self, offset: u64) -> Result<Directory, Fault> {
        let (count_bytes, word) = if self.wide { (8, 8) } else { (2, 4) };
        let count = self.bytes(offset, count_bytes)?;
        let count = unsigned(&count, self.little);
        if count == 0 || count > MOST_ENTRIES {
            return Err(Fault::damaged("a directory without sense"));
        }
        let each = 4 + 2 * word;
        let table = self.bytes(offset + count_bytes, count * each + word)?;
        let mut out = Directory {
            entries: Vec::new(),
            little: self.little,
            next: unsigned(&table[(count * each) as usize..], self.little),
        };
        for entry in table[..(count * each) as usize].chunks_exact(each as usize) {
            out.entries.extend(self.entry(entry, word as usize)?);
        }
        Ok(out)
    }

    /// Reads one entry; `None` for an unknown type or a value that is skipped.
    fn entry(&mut self, entry: &[u8], word: usize) -> Result<Option<Entry>, Fault> {
        let number = |bytes: &[u8]| unsigned(bytes, self.little);
        let (tag, kind) = (number(&entry[..2]) as u16, number(&entry[2..4]) as u16);
        let count = number(&entry[4..4 + word]);
        let value = &entry[4 + word..];
        let size = count.saturating_mul(width(kind));
        if size == 0 || size > LONGEST_VALUE || PASSED_OVER.contains(&tag) {
            return Ok(None);
        }
        let bytes = if size <= word as u64 {
            value[..size as usize].to_vec()
        } else {
            // A value outside the file is dropped without failing the directory.
            match self.bytes(number(value), size) {
                Ok(bytes) => bytes,
                Err(_) => return Ok(None),
            }
        };
        Ok(Some(Entry { tag, kind, bytes }))
    }

    /// Reads bytes of the file; the count is checked against its length before memory is allocated.
    fn bytes(&mut self, offset: u64, count: u64) -> Result<Vec<u8>, Fault> {
        let end = offset.checked_add(count).filter(|&end| end <= self.length);
        if end.is_none() {
            return Err(Fault::damaged("an offset beyond the end of the file"));
        }
        self.source.seek(SeekFrom::Start(offset))?;
        let mut bytes = vec![0; count as usize];
        self.source.read_exact(&mut bytes)?;
        Ok(bytes)
    }
}

impl Directory {
    /// The entry of a tag.
    pub fn get(&self, tag: u16) -> Option<&Entry> {
        self.entries.iter().find(|e| e.tag == tag)
    }

    /// Bytes of a tag's value, in the byte order of the file.
    pub fn bytes(&self, tag: u16) -> Option<&[u8]> {
        self.get(tag).map(|e| e.bytes.as_slice())
    }

    /// Unsigned integers: BYTE, SHORT, LONG, and the offset types IFD, LONG8, IFD8.
    pub fn numbers(&self, tag: u16) -> Option<Vec<u64>> {
        let entry = self.get(tag)?;
        if !matches!(entry.kind, 1 | 3 | 4 | 13 | 16 | 18) {
            return None;
        }
        Some(entry.parts(self.little))
    }

    /// The first of [`Directory::numbers`].
    pub fn number(&self, tag: u16) -> Option<u64> {
        self.numbers(tag)?.first().copied()
    }

    /// Numbers of any numeric type; a fraction with denominator 0 becomes NaN.
    pub fn reals(&self, tag: u16) -> Option<Vec<f64>> {
        let entry = self.get(tag)?;
        let parts = entry.parts(self.little);
        let signed = |v: u64| match width(entry.kind) {
            1 => f64::from(v as u8 as i8),
            2 => f64::from(v as u16 as i16),
            _ => f64::from(v as u32 as i32),
        };
        Some(match entry.kind {
            1 | 3 | 4 | 16 => parts.iter().map(|&v| v as f64).collect(),
            6 | 8 | 9 => parts.iter().map(|&v| signed(v)).collect(),
            5 | 10 => self
                .rationals(tag)?
                .iter()
                .map(|r| {
                    if r.denominator == 0 {
                        f64::NAN
                    } else {
                        r.value()
                    }
                })
                .collect(),
            11 => parts
                .iter()
                .map(|&v| f64::from(f32::from_bits(v as u32)))
                .collect(),
            12 => parts.iter().map(|&v| f64::from_bits(v)).collect(),
            _ => return None,
        })
    }

    /// Exactly `N` finite numbers, else `None`.
    pub fn finite<const N: usize>(&self, tag: u16) -> Option<[f64; N]> {
        let values = self.reals(tag)?;
        let all = values.iter().all(|v| v.is_finite());
        <[f64; N]>::try_from(values).ok().filter(|_| all)
    }

    /// Fractions unreduced, RATIONAL or SRATIONAL.
    pub fn rationals(&self, tag: u16) -> Option<Vec<Rational>> {
        let entry = self.get(tag)?;
        let half = |bytes: &[u8]| {
            let value = unsigned(bytes, self.little) as u32;
            if entry.kind == 10 {
                i64::from(value as i32)
            } else {
                i64::from(value)
            }
        };
        matches!(entry.kind, 5 | 10).then(|| {
            let pairs = entry.bytes.chunks_exact(8);
            pairs
                .map(|p| Rational {
                    numerator: half(&p[..4]),
                    denominator: half(&p[4..]),
                })
                .collect()
        })
    }
}

impl Entry {
    /// The value split into unsigned integers of the type's width.
    pub fn parts(&self, little: bool) -> Vec<u64> {
        let each = width(self.kind).max(1) as usize;
        let parts = self.bytes.chunks_exact(each);
        parts.map(|p| unsigned(p, little)).collect()
    }
}

/// Unsigned integer of up to eight bytes.
pub(super) fn unsigned(bytes: &[u8], little: bool) -> u64 {
    let shift = |n: u64, b: &u8| n << 8 | u64::from(*b);
    if little {
        bytes.iter().rev().fold(0, shift)
    } else {
        bytes.iter().fold(0, shift)
    }
}
