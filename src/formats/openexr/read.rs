//! Reads OpenEXR files: all channels of the first part by name, or R, G, B as a picture. The `exr` crate decodes.
use super::dwa;
use super::header::{blocks_at_a_time, decodable, fault, first_part, footprint, window};
use super::{Attributes, ChannelRows, Kind};
use crate::fault::Fault;
use crate::memory;
use crate::read::Decoded;
use crate::sniff_file;
use exr::block::UncompressedBlock;
use exr::block::chunk::Chunk;
use exr::meta::MetaData;
use exr::meta::attribute::SampleType;
use half::f16;
use ndarray::Array3;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufReader, Cursor, Read, Seek};
use std::path::Path;
use stopspan_core::Error;
use stopspan_core::error::InputProblem;
use stopspan_core::model::{Compression, Footprint, Format, Limits};
use stopspan_core::raster::Pixels;

/// All channels of the first part of an OpenEXR file.
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

/// The colour channels of the first part of an OpenEXR file.
#[derive(Debug, Clone, PartialEq)]
pub struct Light {
    /// R, G, B or Y, shape (rows, columns, 3 or 1).
    pub samples: Array3<f32>,
    /// Samples of other channels that were asked for, as far as the file has them.
    pub beside: BTreeMap<String, ChannelRows>,
    /// Header attributes.
    pub attributes: Attributes,
}

/// Reads all channels of the first part of a file.
///
/// # Errors
/// [`Error::Input`]: not readable, not OpenEXR, damaged, larger than `limits`, or deep or subsampled data.
pub fn read(file: &Path, limits: &Limits) -> Result<Content, Error> {
    let (source, length) = source(file)?;
    let opened = Opened::new(source, length, limits);
    let content = opened.and_then(Opened::content);
    content.map_err(|fault| fault.at(file))
}

/// Reads the colour channels and those named in `beside`, without memory for the others.
///
/// # Errors
/// As [`read`], and a file without float channels R, G, B or Y.
pub fn read_light(file: &Path, limits: &Limits, beside: &[&str]) -> Result<Light, Error> {
    let (source, length) = source(file)?;
    let opened = Opened::new(source, length, limits);
    opened
        .and_then(|opened| opened.light(beside))
        .map_err(|fault| fault.at(file))
}

/// Opens a file; also returns its length in bytes.
fn source(file: &Path) -> Result<(BufReader<File>, u64), Error> {
    if sniff_file(file)? != Some(Format::OpenExr) {
        return Err(Error::input(file, InputProblem::UnknownFormat));
    }
    let unreadable = |e| Error::input_because(file, InputProblem::Unreadable, e);
    let open = File::open(file).map_err(unreadable)?;
    let length = open.metadata().map_err(unreadable)?.len();
    Ok((BufReader::new(open), length))
}

/// Decodes R, G, B or Y as float samples. The size must have been checked against the limits.
pub(crate) fn decode(bytes: &[u8]) -> Result<Decoded, Fault> {
    let all = Limits {
        pixels: u64::MAX,
        ..Limits::default()
    };
    let light = Opened::new(Cursor::new(bytes), bytes.len() as u64, &all)?.light(&[])?;
    Ok(Decoded {
        pixels: Pixels::F32(light.samples),
        compression: Compression::Lossless,
        damaged: false,
        raw: None,
    })
}

/// A file whose first part was checked against the limits.
struct Opened<S> {
    reader: exr::block::reader::Reader<S>,
    meta: MetaData,
    limits: Limits,
}

impl<S: Read + Seek> Opened<S> {
    /// `length` is that of the file, bytes.
    fn new(mut source: S, length: u64, limits: &Limits) -> Result<Self, Fault> {
        decodable(&mut source)?;
        let reader = exr::block::read(source, false).map_err(fault)?;
        let meta = reader.meta_data().clone();
        let first = first_part(&meta)?;
        let (columns, rows) = (first.layer_size.0 as u64, first.layer_size.1 as u64);
        if rows.saturating_mul(columns) > limits.pixels {
            return Err(InputProblem::TooLarge {
                columns,
                rows,
                limit: limits.pixels,
            }
            .into());
        }
        // the most effective schemes encode a row in a few bytes, but no block in less than eight
        if first.chunk_count as u64 / 2 > length / 8
            || first.total_pixel_bytes() as u64 >> 16 > length
        {
            return Err(Fault::damaged(
                "the file is too short for the size it claims",
            ));
        }
        Ok(Opened {
            reader,
            meta,
            limits: *limits,
        })
    }

    /// Passes on the lines of all channels: index of the channel, index of the line's first sample in its plane,
    /// samples.
    fn lines(
        self,
        mut put: impl FnMut(usize, usize, &[u8]) -> Result<(), Fault>,
    ) -> Result<(), Fault> {
        let Opened { reader, meta, .. } = self;
        let first = first_part(&meta)?;
        let mut chunks = reader.all_chunks(false).map_err(fault)?;
        let window = blocks_at_a_time();
        loop {
            let next: Vec<Chunk> = chunks
                .by_ref()
                .take(window)
                .collect::<Result<_, _>>()
                .map_err(fault)?;
            if next.is_empty() {
                return Ok(());
            }
            let blocks: Vec<UncompressedBlock> = next
                .into_par_iter()
                .filter(|chunk| chunk.layer_index == 0)
                .map(|chunk| {
                    dwa::check(&chunk, first)?;
                    UncompressedBlock::decompress_chunk(chunk, &meta, false).map_err(fault)
                })
                .collect::<Result<_, _>>()?;
            // skips smaller copies of the picture (mip levels)
            let whole = |b: &&UncompressedBlock| b.index.level.0 == 0 && b.index.level.1 == 0;
            for line in blocks
                .iter()
                .filter(whole)
                .flat_map(|b| b.lines(&first.channels))
            {
                let (x, y) = (line.location.position.0, line.location.position.1);
                put(
                    line.location.channel,
                    y * first.layer_size.0 + x,
                    line.value,
                )?;
            }
        }
    }

    fn content(self) -> Result<Content, Fault> {
        let first = first_part(&self.meta)?;
        let (columns, rows) = (first.layer_size.0, first.layer_size.1);
        let attributes = Attributes::of(first);
        let channels = first.channels.list.clone();
        // the samples once as they are stored, once as the planes of a map
        let kept = 2 * first.total_pixel_bytes() as u64;
        let footprint = Footprint {
            samples: kept,
            decoding: window(first),
        };
        memory::check(footprint, &self.limits)?;
        let planes = channels.iter();
        let planes = planes.map(|c| empty(c.sample_type, rows * columns));
        let mut planes: Vec<ChannelRows> = planes.collect::<Result<_, _>>()?;
        self.lines(|channel, start, samples| {
            copy_line(planes.get_mut(channel), start, samples).ok_or_else(outside)
        })?;
        let names = channels.iter().map(|c| c.name.to_string());
        Ok(Content {
            rows,
            columns,
            channels: names.zip(planes).collect(),
            attributes,
        })
    }

    fn light(self, beside: &[&str]) -> Result<Light, Fault> {
        let first = first_part(&self.meta)?;
        let shape = (first.layer_size.1, first.layer_size.0);
        let attributes = Attributes::of(first);
        let list = first.channels.list.clone();
        let place_of = |name: &str| list.iter().position(|c| c.name.to_string() == name);
        let names: &[&str] = match place_of("R") {
            Some(_) => &["R", "G", "B"],
            None => &["Y"],
        };
        let channels: Vec<usize> = names.iter().filter_map(|name| place_of(name)).collect();
        let whole = |k: &usize| list[*k].sample_type == SampleType::U32;
        let n = names.len();
        if channels.len() < n || channels.iter().any(whole) {
            return Err(Fault::unsupported(
                "OpenEXR without float channels R, G, B or Y",
            ));
        }
        memory::check(footprint(first), &self.limits)?;
        let mut samples: Vec<f32> = memory::zeroed(shape.0 * shape.1 * n)?;
        let present = beside.iter().filter_map(|name| place_of(name));
        let mut others: BTreeMap<usize, ChannelRows> = present
            .map(|k| Ok((k, empty(list[k].sample_type, shape.0 * shape.1)?)))
            .collect::<Result<_, Fault>>()?;
        self.lines(|channel, start, bytes| {
            if let Some(plane) = others.get_mut(&channel) {
                return copy_line(Some(plane), start, bytes).ok_or_else(outside);
            }
            let Some(k) = channels.iter().position(|&c| c == channel) else {
                return Ok(());
            };
            let to = samples.get_mut(start * n..).ok_or_else(outside)?;
            let to = to.iter_mut().skip(k).step_by(n);
            match list[channel].sample_type {
                SampleType::F16 => to.zip(halves(bytes)).for_each(|(t, v)| *t = v.to_f32()),
                _ => to.zip(floats(bytes)).for_each(|(t, v)| *t = v),
            }
            Ok(())
        })?;
        Ok(Light {
            samples: Array3::from_shape_vec((shape.0, shape.1, n), samples)
                .map_err(Fault::damaged)?,
            beside: others
                .into_iter()
                .map(|(k, plane)| (list[k].name.to_string(), plane))
                .collect(),
            attributes,
        })
    }
}

fn outside() -> Fault {
    Fault::damaged("a block outside of the picture")
}

fn empty(kind: SampleType, samples: usize) -> Result<ChannelRows, Fault> {
    Ok(match kind {
        SampleType::U32 => ChannelRows::Uint(memory::zeroed(samples)?),
        SampleType::F16 => ChannelRows::Half(memory::zeroed(samples)?),
        SampleType::F32 => ChannelRows::Float(memory::zeroed(samples)?),
    })
}

fn floats(bytes: &[u8]) -> impl Iterator<Item = f32> {
    let parts = bytes.chunks_exact(4);
    parts.map(|b| f32::from_ne_bytes([b[0], b[1], b[2], b[3]]))
}

fn halves(bytes: &[u8]) -> impl Iterator<Item = f16> {
    let parts = bytes.chunks_exact(2);
    parts.map(|b| f16::from_ne_bytes([b[0], b[1]]))
}

/// Copies a line into its plane; `None` if it exceeds the plane.
fn copy_line(plane: Option<&mut ChannelRows>, start: usize, bytes: &[u8]) -> Option<()> {
    match plane? {
        ChannelRows::Uint(v) => {
            let to = v.get_mut(start..start + bytes.len() / 4)?.iter_mut();
            let from = bytes.chunks_exact(4);
            to.zip(from)
                .for_each(|(t, b)| *t = u32::from_ne_bytes([b[0], b[1], b[2], b[3]]));
        }
        ChannelRows::Half(v) => {
            let to = v.get_mut(start..start + bytes.len() / 2)?.iter_mut();
            to.zip(halves(bytes)).for_each(|(t, v)| *t = v);
        }
        ChannelRows::Float(v) => {
            let to = v.get_mut(start..start + bytes.len() / 4)?.iter_mut();
            to.zip(floats(bytes)).for_each(|(t, v)| *t = v);
        }
    }
    Some(())
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
