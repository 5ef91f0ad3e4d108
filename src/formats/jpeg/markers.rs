//! Marker segments of a JPEG file up to its first scan: size, tables, EXIF, ICC profile.
use crate::fault::Fault;
use crate::metadata;
use std::io::{BufRead, Cursor, Seek};
use stopspan_core::model::{Compression, Footprint, Header};

/// Content of the segments before the first scan.
#[derive(Debug, Default)]
pub(super) struct Markers {
    /// Number n of the frame header SOFn; 0, 1 and 2 are DCT with Huffman coding.
    pub process: u8,
    /// Bits of a sample.
    pub precision: u8,
    /// Columns as stored.
    pub columns: u16,
    /// Rows as stored; 0 if they are only stated after the first scan (DNL).
    pub rows: u16,
    /// Components in the order of the frame header.
    pub components: Vec<Component>,
    tables: [Option<[u16; 64]>; 4],
    exif: Option<Vec<u8>>,
    icc: Vec<(u8, Vec<u8>)>,
}

/// One component of the frame header.
#[derive(Debug)]
pub(super) struct Component {
    sampling: (u8, u8),
    table: usize,
}

const EXIF: &[u8] = b"Exif\0\0";
const ICC: &[u8] = b"ICC_PROFILE\0";

/// Size as stored, EXIF and ICC profile; the picture is not read.
pub(crate) fn header(file: &mut (impl BufRead + Seek)) -> Result<Header, Fault> {
    let markers = Markers::read(file)?;
    let mut header = Header {
        columns: usize::from(markers.columns),
        rows: usize::from(markers.rows),
        footprint: markers.footprint(),
        icc_profile: markers.icc_profile(),
        ..Header::default()
    };
    if let Some(block) = markers.exif {
        metadata::fill(&mut header, block);
    }
    Ok(header)
}

/// What the front of a JPEG stream within another file says.
pub(crate) struct Stream {
    /// Columns.
    pub columns: u16,
    /// Rows.
    pub rows: u16,
    /// What the stream loses; `None` without a table.
    pub compression: Option<Compression>,
}

/// Reads the front of a JPEG stream whose tables may be apart from it, each with its own start and end (TIFF Technical Note 2).
pub(crate) fn stream(tables: &[u8], data: &[u8]) -> Result<Stream, Fault> {
    let tables = tables.strip_suffix(&[0xff, 0xd9]).unwrap_or(tables);
    let data = match tables {
        [] => data,
        _ => data.get(2..).unwrap_or_default(),
    };
    let markers = Markers::read(&mut Cursor::new([tables, data].concat()))?;
    if markers.process > 2 || markers.precision != 8 {
        return Err(Fault::unsupported("a rare kind of JPEG in TIFF"));
    }
    Ok(Stream {
        columns: markers.columns,
        rows: markers.rows,
        compression: markers.compression(),
    })
}

impl Markers {
    /// Reads the segments from the start of the file to the first scan (T.81 B.1.1.2 and B.2.1).
    pub fn read(file: &mut (impl BufRead + Seek)) -> Result<Self, Fault> {
        let mut markers = Markers::default();
        let mut start = [0; 2];
        file.read_exact(&mut start)?;
        loop {
            let code = next_marker(file)?;
            match code {
                0xd8 | 0x01 | 0xd0..=0xd7 => continue, // stand-alone markers carry no length
                0xd9 => return Err(Fault::damaged("the file ends before its picture")),
                _ => {}
            }
            let length = usize::from(u16::from_be_bytes(read_array(file)?));
            let Some(length) = length.checked_sub(2) else {
                return Err(Fault::damaged("a segment shorter than its own length"));
            };
            match code {
                0xda if markers.components.is_empty() => {
                    return Err(Fault::damaged("a scan without a frame header"));
                }
                0xda => return Ok(markers),
                0xdb | 0xc0..=0xc3 | 0xc5..=0xc7 | 0xc9..=0xcb | 0xcd..=0xcf | 0xe1 | 0xe2 => {
                    let mut segment = vec![0; length];
                    file.read_exact(&mut segment)?;
                    markers.take(code, segment)?;
                }
                _ => file.seek_relative(length as i64)?,
            }
        }
    }

    fn take(&mut self, code: u8, segment: Vec<u8>) -> Result<(), Fault> {
        match code {
            0xdb => self.take_tables(&segment),
            0xe1 if segment.starts_with(EXIF) && self.exif.is_none() => {
                self.exif = Some(segment[EXIF.len()..].to_vec());
                Ok(())
            }
            0xe2 if segment.starts_with(ICC) && segment.len() > ICC.len() + 2 => {
                let part = segment[ICC.len()..].to_vec();
                self.icc.push((part[0], part[2..].to_vec()));
                Ok(())
            }
            0xe1 | 0xe2 => Ok(()),
            _ => self.take_frame(code, &segment),
        }
    }

    /// Quantisation tables (DQT), T.81 B.2.4.1.
    fn take_tables(&mut self, mut segment: &[u8]) -> Result<(), Fault> {
        while let Some((&first, rest)) = segment.split_first() {
            let (wide, slot) = (first >> 4 != 0, usize::from(first & 15));
            let bytes = if wide { 128 } else { 64 };
            if slot > 3 || rest.len() < bytes {
                return Err(Fault::damaged("a quantisation table that is cut short"));
            }
            let mut table = [0; 64];
            for (k, q) in table.iter_mut().enumerate() {
                *q = if wide {
                    u16::from_be_bytes([rest[2 * k], rest[2 * k + 1]])
                } else {
                    u16::from(rest[k])
                };
            }
            self.tables[slot] = Some(table);
            segment = &rest[bytes..];
        }
        Ok(())
    }

    /// Frame header, T.81 B.2.2.
    fn take_frame(&mut self, code: u8, segment: &[u8]) -> Result<(), Fault> {
        let count = segment.get(5).map_or(0, |&n| usize::from(n));
        if count == 0 || segment.len() < 6 + 3 * count {
            return Err(Fault::damaged("a frame header that is cut short"));
        }
        self.process = code - 0xc0;
        self.precision = segment[0];
        self.rows = u16::from_be_bytes([segment[1], segment[2]]);
        self.columns = u16::from_be_bytes([segment[3], segment[4]]);
        self.components = segment[6..6 + 3 * count]
            .chunks_exact(3)
            .map(|c| Component {
                sampling: (c[1] >> 4, c[1] & 15),
                table: usize::from(c[2] & 3),
            })
            .collect();
        Ok(())
    }

    /// The profile assembled from its parts; `None` if one is missing (ICC.1:2010, B.4).
    fn icc_profile(&self) -> Option<Vec<u8>> {
        let mut parts: Vec<_> = self.icc.iter().collect();
        parts.sort_by_key(|(number, _)| *number);
        let complete = parts
            .iter()
            .enumerate()
            .all(|(k, (number, _))| usize::from(*number) == k + 1);
        (complete && !parts.is_empty())
            .then(|| parts.iter().flat_map(|(_, p)| p.iter().copied()).collect())
    }

    /// The decoder writes into the buffer that is kept; beside it a progressive file's coefficients of 16 bits are held.
    fn footprint(&self) -> Footprint {
        let pixels = u64::from(self.columns) * u64::from(self.rows);
        let samples = match self.components.len() {
            1 => pixels,
            _ => 3 * pixels,
        };
        let progressive = self.process == 2;
        let decoding = if progressive { 2 * samples } else { 0 };
        Footprint { samples, decoding }
    }

    /// Quantisation of luminance and chroma subsampling. `None` without the luminance table.
    pub fn compression(&self) -> Option<Compression> {
        let luminance = self.components.first()?;
        let table = self.tables[luminance.table]?;
        let squares: f64 = table.iter().map(|&q| f64::from(q) * f64::from(q)).sum();
        let (h, v) = luminance.sampling;
        let subsampled = self
            .components
            .iter()
            .any(|c| c.sampling.0 < h || c.sampling.1 < v);
        Some(Compression::Jpeg {
            quantisation_rms: (squares / 64.0 / 12.0).sqrt(),
            luminance_steps: in_place(&table),
            chroma_subsampled: subsampled,
        })
    }
}

/// A table in the order of frequencies, from the order in which it is stored: along diagonals, T.81 Figure A.6.
fn in_place(stored: &[u16; 64]) -> [[u16; 8]; 8] {
    let mut places: Vec<(usize, usize)> = (0..64).map(|k| (k / 8, k % 8)).collect();
    // Odd diagonals run downwards, even ones upwards.
    places.sort_by_key(|&(v, u)| (v + u, if (v + u) % 2 == 1 { v } else { u }));
    let mut out = [[0; 8]; 8];
    for ((v, u), step) in places.into_iter().zip(stored) {
        out[v][u] = *step;
    }
    out
}

fn next_marker(file: &mut impl BufRead) -> Result<u8, Fault> {
    let [mut byte] = read_array::<1>(file)?;
    while byte != 0xff {
        [byte] = read_array::<1>(file)?; // stray bytes between segments
    }
    while byte == 0xff {
        [byte] = read_array::<1>(file)?; // fill bytes, T.81 B.1.1.2
    }
    Ok(byte)
}

fn read_array<const N: usize>(file: &mut impl BufRead) -> Result<[u8; N], Fault> {
    let mut bytes = [0; N];
    file.read_exact(&mut bytes)?;
    Ok(bytes)
}
