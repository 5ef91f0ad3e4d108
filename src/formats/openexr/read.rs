//! Reads OpenEXR files: every channel of the first part by name, or R, G, B as a picture. Decoding is the `exr` crate's.
use super::{Attributes, ChannelRows, Kind};
use crate::error::{Error, InputProblem};
use crate::formats::fault::Fault;
use crate::formats::read::Decoded;
use crate::formats::{Compression, Header, Limits, Rational};
use crate::raster::Pixels;
use crate::units::Primaries;
use exr::block::UncompressedBlock;
use exr::block::chunk::Chunk;
use exr::meta::MetaData;
use exr::meta::attribute::{AttributeValue, SampleType, Text};
use exr::meta::header::Header as ExrHeader;
use half::f16;
use ndarray::Array3;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::io::{BufRead, Cursor, Read, Seek};
use std::path::Path;

/// Everything in the first part of an OpenEXR file.
#[derive(Debug, Clone, PartialEq)]
pub struct Content {
    /// Rows of the data window.
    pub rows: usize,
    /// Columns of the data window.
    pub columns: usize,
    /// Samples by channel name, row by row, at full resolution.
    pub channels: BTreeMap<String, ChannelRows>,
    /// Header attributes.
    pub attributes: Attributes,
}

/// Reads all channels of the first part of a file.
///
/// # Errors
/// [`Error::Input`]: not readable, not OpenEXR, damaged, larger than `limits`, or deep or subsampled data.
pub fn read(file: &Path, limits: &Limits) -> Result<Content, Error> {
    let bytes =
        std::fs::read(file).map_err(|e| Error::input_because(file, InputProblem::Unreadable, e))?;
    if crate::formats::sniff(&bytes) != Some(crate::formats::Format::OpenExr) {
        return Err(Error::input(file, InputProblem::UnknownFormat));
    }
    content(&bytes, limits).map_err(|fault| fault.at(file))
}

/// Size and what the standard attributes say about exposure.
pub(in crate::formats) fn header(file: &mut (impl BufRead + Seek)) -> Result<Header, Fault> {
    let mut front = Vec::new();
    file.by_ref().take(FRONT).read_to_end(&mut front)?;
    decodable(&front)?;
    file.rewind()?;
    let meta = MetaData::read_from_buffered(file, false).map_err(fault)?;
    let first = first_part(&meta)?;
    let attributes = attributes(first);
    Ok(Header {
        columns: first.layer_size.0,
        rows: first.layer_size.1,
        exposure_time: attributes.exposure_time.map(rational),
        f_number: attributes.aperture.map(rational),
        sensitivity: attributes.iso_speed.map(f64::from),
        captured: attributes.capture_date,
        primaries: attributes
            .chromaticities
            .and_then(|xy| Primaries::new(xy.map(f64::from))),
        ..Header::default()
    })
}

/// True if a file can be a frame of a bracket: it states an exposure time, holds no channels beside colour, and was not
/// written by this program, whose maps carry the time of their reference frame. False for what cannot be read.
pub fn states_exposure(file: &Path) -> bool {
    const COLOURS: [&str; 6] = ["R", "G", "B", "A", "Y", "Z"];
    let Ok(meta) = MetaData::read_from_file(file, false) else {
        return false;
    };
    let Ok(first) = first_part(&meta) else {
        return false;
    };
    let mut names = first.channels.list.iter().map(|c| c.name.to_string());
    let attributes = attributes(first);
    let own = |text: String| text.starts_with(env!("CARGO_PKG_NAME"));
    attributes.exposure_time.is_some()
        && names.all(|name| COLOURS.contains(&name.as_str()))
        && !attributes.software.is_some_and(own)
}

/// R, G, B or Y as float samples; the size was held against the limits already.
pub(in crate::formats) fn decode(bytes: &[u8]) -> Result<Decoded, Fault> {
    let all = Limits {
        pixels: u64::MAX,
        accept_damaged: false,
    };
    let content = content(bytes, &all)?;
    let names: &[&str] = match content.channels.contains_key("R") {
        true => &["R", "G", "B"],
        false => &["Y"],
    };
    let mut samples = vec![0f32; content.rows * content.columns * names.len()];
    for (k, name) in names.iter().enumerate() {
        let places = samples.iter_mut().skip(k).step_by(names.len());
        match content.channels.get(*name) {
            Some(ChannelRows::Float(v)) => places.zip(v).for_each(|(p, &v)| *p = v),
            Some(ChannelRows::Half(v)) => places.zip(v).for_each(|(p, v)| *p = v.to_f32()),
            _ => {
                return Err(Fault::unsupported(
                    "OpenEXR without float channels R, G, B or Y",
                ));
            }
        }
    }
    let shape = (content.rows, content.columns, names.len());
    Ok(Decoded {
        pixels: Pixels::F32(Array3::from_shape_vec(shape, samples).map_err(Fault::damaged)?),
        compression: Compression::Lossless,
        damaged: false,
        raw: None,
    })
}

/// Bytes at the front of a file in which its compression is looked for.
const FRONT: u64 = 1 << 16;

/// Refuses by name the compressions that came after those the `exr` crate knows by their numbers (it takes such a header
/// for damaged).
fn decodable(bytes: &[u8]) -> Result<(), Fault> {
    const ATTRIBUTE: &[u8] = b"compression\0compression\0\x01\0\0\0";
    let mut windows = bytes.windows(ATTRIBUTE.len() + 1);
    let number = windows.find_map(|w| w.strip_prefix(ATTRIBUTE)?.first().copied());
    let name = match number {
        None | Some(0..=9) => return Ok(()),
        Some(10 | 11) => "HTJ2K",
        Some(13) => "Zstandard",
        Some(_) => "unknown",
    };
    Err(Fault::unsupported(format!(
        "OpenEXR with {name} compression; save it with ZIP or PIZ compression"
    )))
}

fn content(bytes: &[u8], limits: &Limits) -> Result<Content, Fault> {
    decodable(&bytes[..bytes.len().min(FRONT as usize)])?;
    let reader = exr::block::read(Cursor::new(bytes), false).map_err(fault)?;
    let meta = reader.meta_data().clone();
    let first = first_part(&meta)?;
    let (columns, rows) = (first.layer_size.0, first.layer_size.1);
    if (rows as u64).saturating_mul(columns as u64) > limits.pixels {
        return Err(InputProblem::TooLarge {
            columns: columns as u64,
            rows: rows as u64,
            limit: limits.pixels,
        }
        .into());
    }
    // the densest schemes say a row of a block in a few bytes, but never a block in less than eight
    if first.chunk_count / 2 > bytes.len() / 8 || first.total_pixel_bytes() >> 16 > bytes.len() {
        return Err(Fault::damaged(
            "the file is too short for the size it claims",
        ));
    }
    let mut planes: Vec<ChannelRows> = first
        .channels
        .list
        .iter()
        .map(|c| empty(c.sample_type, rows * columns))
        .collect();
    let mut chunks = reader.all_chunks(false).map_err(fault)?;
    let window = 8 * rayon::current_num_threads();
    loop {
        let next: Vec<Chunk> = chunks
            .by_ref()
            .take(window)
            .collect::<Result<_, _>>()
            .map_err(fault)?;
        if next.is_empty() {
            break;
        }
        let blocks: Vec<UncompressedBlock> = next
            .into_par_iter()
            .filter(|chunk| chunk.layer_index == 0)
            .map(|chunk| UncompressedBlock::decompress_chunk(chunk, &meta, false))
            .collect::<Result<_, _>>()
            .map_err(fault)?;
        for block in &blocks {
            place(block, first, &mut planes)?;
        }
    }
    let names = first.channels.list.iter().map(|c| c.name.to_string());
    Ok(Content {
        rows,
        columns,
        channels: names.zip(planes).collect(),
        attributes: attributes(first),
    })
}

fn first_part(meta: &MetaData) -> Result<&ExrHeader, Fault> {
    let first = meta.headers.first().ok_or(Fault::damaged("no part"))?;
    if first.deep {
        return Err(Fault::unsupported("deep OpenEXR data"));
    }
    if first
        .channels
        .list
        .iter()
        .any(|c| c.sampling.0 != 1 || c.sampling.1 != 1)
    {
        return Err(Fault::unsupported("subsampled OpenEXR channels"));
    }
    Ok(first)
}

fn empty(kind: SampleType, samples: usize) -> ChannelRows {
    match kind {
        SampleType::U32 => ChannelRows::Uint(vec![0; samples]),
        SampleType::F16 => ChannelRows::Half(vec![f16::ZERO; samples]),
        SampleType::F32 => ChannelRows::Float(vec![0.0; samples]),
    }
}

/// Copies a decoded block into the planes; smaller copies of the picture (mip levels) are passed over.
fn place(
    block: &UncompressedBlock,
    part: &ExrHeader,
    planes: &mut [ChannelRows],
) -> Result<(), Fault> {
    if block.index.level.0 != 0 || block.index.level.1 != 0 {
        return Ok(());
    }
    for line in block.lines(&part.channels) {
        let (x, y) = (line.location.position.0, line.location.position.1);
        let start = y * part.layer_size.0 + x;
        let range = start..start + line.location.sample_count;
        let outside = || Fault::damaged("a block outside of the picture");
        match planes.get_mut(line.location.channel).ok_or_else(outside)? {
            ChannelRows::Uint(v) => {
                let to = v.get_mut(range).ok_or_else(outside)?.iter_mut();
                let from = line.value.chunks_exact(4);
                to.zip(from)
                    .for_each(|(t, b)| *t = u32::from_ne_bytes([b[0], b[1], b[2], b[3]]));
            }
            ChannelRows::Half(v) => {
                let to = v.get_mut(range).ok_or_else(outside)?.iter_mut();
                let from = line.value.chunks_exact(2);
                to.zip(from)
                    .for_each(|(t, b)| *t = f16::from_ne_bytes([b[0], b[1]]));
            }
            ChannelRows::Float(v) => {
                let to = v.get_mut(range).ok_or_else(outside)?.iter_mut();
                let from = line.value.chunks_exact(4);
                to.zip(from)
                    .for_each(|(t, b)| *t = f32::from_ne_bytes([b[0], b[1], b[2], b[3]]));
            }
        }
    }
    Ok(())
}

fn attributes(part: &ExrHeader) -> Attributes {
    let own = &part.own_attributes;
    let text = |t: &Option<Text>| t.as_ref().map(ToString::to_string);
    let custom = own.other.iter().chain(&part.shared_attributes.other);
    Attributes {
        exposure_time: own.exposure,
        aperture: own.aperture,
        iso_speed: own.iso_speed,
        capture_date: text(&own.capture_date),
        utc_offset: own.utc_offset,
        owner: text(&own.owner),
        comments: text(&own.comments),
        software: text(&own.software_name),
        chromaticities: part.shared_attributes.chromaticities.map(|c| {
            [
                c.red.0, c.red.1, c.green.0, c.green.1, c.blue.0, c.blue.1, c.white.0, c.white.1,
            ]
        }),
        custom: custom
            .filter_map(|(name, value)| match value {
                AttributeValue::Text(text) => Some((name.to_string(), text.to_string())),
                _ => None,
            })
            .collect(),
    }
}

/// A float attribute as a fraction with at least six digits: of a million, or a million over something. The float stands
/// for the shortest decimal number that rounds to it.
fn rational(value: f32) -> Rational {
    const PARTS: f64 = 1e6;
    let value = value.to_string().parse().unwrap_or(f64::from(value));
    if value.abs() < 1.0 && value != 0.0 {
        return Rational {
            numerator: PARTS as i64,
            denominator: (PARTS / value).round() as i64,
        };
    }
    Rational {
        numerator: (value * PARTS).round() as i64,
        denominator: PARTS as i64,
    }
}

fn fault(error: exr::error::Error) -> Fault {
    match error {
        exr::error::Error::NotSupported(what) => Fault::unsupported(format!("OpenEXR: {what}")),
        exr::error::Error::Io(e) => e.into(),
        other => Fault::damaged(other),
    }
}

impl From<SampleType> for Kind {
    fn from(kind: SampleType) -> Self {
        match kind {
            SampleType::U32 => Kind::Uint,
            SampleType::F16 => Kind::Half,
            SampleType::F32 => Kind::Float,
        }
    }
}
