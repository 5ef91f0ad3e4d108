//! Samples of TIFF files: grey of 1 to 8 bits, grey and RGB of 8, 16 and 32-bit unsigned and of floating point, YCbCr of 8 bits.
use super::coded;
use super::read::fault;
use crate::fault::Fault;
use crate::memory;
use crate::read::{Decoded, drop_alpha};
use bytemuck::Zeroable;
use ndarray::Array3;
use std::io::{Cursor, Read, Seek};
use stopspan_core::model::{Compression, Footprint};
use stopspan_core::raster::Pixels;
use tiff::ColorType;
use tiff::decoder::{
    BufferLayoutPreference, ChunkType, Decoder, DecodingResult, DecodingSampleType,
    Limits as TiffLimits,
};
use tiff::tags::Tag;

/// TIFF's number for LZW compression.
const LZW: u16 = 5;

/// Memory by the layout of the samples; nothing where the layout cannot be told, which decoding then reports.
pub(super) fn footprint<R: Read + Seek>(decoder: &mut Decoder<R>) -> Footprint {
    let Ok(stored) = Stored::of(decoder) else {
        return Footprint::default();
    };
    let bytes = match stored.layout.sample_type {
        Some(DecodingSampleType::U8) => 1,
        Some(DecodingSampleType::U16) => 2,
        _ => 4,
    };
    let kept = (stored.pixels() as u64).saturating_mul(bytes * stored.wanted as u64);
    let decoded = stored.layout.complete_len as u64;
    let jpeg = if stored.compression == coded::JPEG {
        decoded
    } else {
        0
    };
    let (samples, second) = match stored.is_kept() {
        true => (kept.max(decoded), 0),
        false => (kept, decoded),
    };
    Footprint {
        samples,
        decoding: second.saturating_add(jpeg),
    }
}

/// Decodes a file whose size was checked against the limits. Grey of fewer than 8 bits is scaled to 8, YCbCr becomes R, G, B; 32-bit
/// unsigned samples become float fractions of full scale; half and double precision become float; transparency is dropped.
pub(crate) fn decode(bytes: &[u8]) -> Result<Decoded, Fault> {
    let mut decoder = Decoder::new(Cursor::new(bytes)).map_err(fault)?;
    let stored = Stored::of(&mut decoder)?;
    // LZW, the most effective of the schemes read, expands a byte to less than 4096 bytes
    if stored.layout.complete_len / 4096 > bytes.len() {
        return Err(Fault::damaged(
            "the file is too short for the size it claims",
        ));
    }
    if stored.compression == LZW && coded::is_old_lzw(&mut decoder, bytes) {
        return Err(Fault::unsupported("TIFF with LZW data of the old kind"));
    }
    let compression = match stored.compression {
        coded::JPEG => coded::compression(&mut decoder, bytes)?,
        _ => Compression::Lossless,
    };
    let mut limits = TiffLimits::default();
    limits.decoding_buffer_size = stored.layout.complete_len.max(1 << 20);
    limits.intermediate_buffer_size = bytes.len().max(1 << 20);
    let mut decoder = decoder.with_limits(limits);
    let mut samples = stored.buffer()?;
    if stored.planar && decoder.get_chunk_type() == ChunkType::Tile {
        stored.read_planes_of_tiles(&mut decoder, samples.as_buffer(0).as_bytes_mut())?;
    } else {
        let mut buffer = samples.as_buffer(0);
        decoder
            .read_image_bytes(buffer.as_bytes_mut())
            .map_err(fault)?;
    }
    if let (ColorType::YCbCr(_), DecodingResult::U8(samples)) = (stored.kind, &mut samples) {
        if stored.planar {
            return Err(Fault::unsupported("YCbCr TIFF in planes"));
        }
        coded::to_rgb(samples, &mut decoder)?;
    }
    Ok(Decoded {
        pixels: stored.pixels_of(samples)?,
        compression,
        damaged: false,
        raw: None,
    })
}

/// How the samples of a file are stored.
struct Stored {
    columns: usize,
    rows: usize,
    kind: ColorType,
    /// Samples stored for a pixel, and how many of them are kept.
    samples: usize,
    wanted: usize,
    planar: bool,
    /// TIFF's number for the compression scheme.
    compression: u16,
    layout: BufferLayoutPreference,
}

impl Stored {
    fn of<R: Read + Seek>(decoder: &mut Decoder<R>) -> Result<Self, Fault> {
        let (columns, rows) = decoder.dimensions().map_err(fault)?;
        let mut number = |tag| decoder.find_tag_unsigned::<u16>(tag).map_err(fault);
        let planar = number(Tag::PlanarConfiguration)? == Some(2);
        let compression = number(Tag::Compression)?.unwrap_or(1);
        let what = match (number(Tag::FillOrder)?, compression) {
            (Some(2), _) => Some("TIFF with bits in reversed order"),
            (_, 6) => Some("TIFF with JPEG data of the old kind"),
            _ => match number(Tag::PhotometricInterpretation)? {
                Some(3) => Some("a palette TIFF"),
                Some(8..=10) => Some("CIELAB TIFF"),
                _ => None,
            },
        };
        if let Some(what) = what {
            return Err(Fault::unsupported(what));
        }
        let kind = decoder.colortype().map_err(fault)?;
        let extra = decoder.find_tag_unsigned_vec::<u16>(Tag::ExtraSamples);
        let alpha = matches!(extra.map_err(fault)?.as_deref(), Some([1 | 2]));
        let (samples, wanted) = channels(kind, alpha)?;
        Ok(Stored {
            columns: columns as usize,
            rows: rows as usize,
            kind,
            samples,
            wanted,
            planar: planar && samples > 1,
            compression,
            layout: decoder.image_buffer_layout().map_err(fault)?,
        })
    }

    fn pixels(&self) -> usize {
        self.rows.saturating_mul(self.columns)
    }

    /// True if the buffer decoded into is the one that is kept.
    fn is_kept(&self) -> bool {
        let same = [
            Some(DecodingSampleType::U8),
            Some(DecodingSampleType::U16),
            Some(DecodingSampleType::F32),
        ];
        !self.planar && self.kind.bit_depth() >= 8 && same.contains(&self.layout.sample_type)
    }

    /// A buffer for all samples as stored.
    fn buffer(&self) -> Result<DecodingResult, Fault> {
        fn of<T: Zeroable>(bytes: usize) -> Result<Vec<T>, Fault> {
            memory::zeroed(bytes.div_ceil(size_of::<T>()))
        }
        let bytes = self.layout.complete_len;
        Ok(match self.layout.sample_type {
            Some(DecodingSampleType::U8) => DecodingResult::U8(of(bytes)?),
            Some(DecodingSampleType::U16) => DecodingResult::U16(of(bytes)?),
            Some(DecodingSampleType::U32) => DecodingResult::U32(of(bytes)?),
            Some(DecodingSampleType::F16) => DecodingResult::F16(of(bytes)?),
            Some(DecodingSampleType::F32) => DecodingResult::F32(of(bytes)?),
            Some(DecodingSampleType::F64) => DecodingResult::F64(of(bytes)?),
            Some(
                DecodingSampleType::I8
                | DecodingSampleType::I16
                | DecodingSampleType::I32
                | DecodingSampleType::I64,
            ) => return Err(Fault::unsupported("TIFF with signed samples")),
            Some(DecodingSampleType::U64) => return Err(Fault::unsupported("64-bit integer TIFF")),
            None => return Err(Fault::unsupported("TIFF samples of no known type")),
        })
    }

    /// Reads tiles of separate planes one by one: read as a whole, planes after the first whose tiles reach beyond the picture make
    /// the decoder panic, because it takes their lowest row of tiles for a whole one.
    fn read_planes_of_tiles<R: Read + Seek>(
        &self,
        decoder: &mut Decoder<R>,
        buffer: &mut [u8],
    ) -> Result<(), Fault> {
        let (width, height) = decoder.chunk_dimensions();
        let (width, height) = (width as usize, height as usize);
        let sample = usize::from(self.kind.bit_depth()) / 8;
        let (across, down) = (self.columns.div_ceil(width), self.rows.div_ceil(height));
        let plane = self.pixels() * sample;
        for index in 0..across * down * self.samples {
            let chunk = u32::try_from(index).map_err(Fault::damaged)?;
            let layout = decoder.image_chunk_buffer_layout(chunk).map_err(fault)?;
            let mut tile = memory::zeroed(layout.complete_len)?;
            decoder.read_chunk_bytes(chunk, &mut tile).map_err(fault)?;
            let (of_plane, place) = (index / (across * down), index % (across * down));
            let (top, left) = (place / across * height, place % across * width);
            let row = layout.row_stride.map_or(width * sample, usize::from);
            let lines = tile.chunks_exact(row).take(self.rows - top);
            for (line, samples) in lines.enumerate() {
                let start = of_plane * plane + ((top + line) * self.columns + left) * sample;
                let length = row.min((self.columns - left) * sample);
                let to = buffer.get_mut(start..start + length);
                let to = to.ok_or(Fault::damaged("a tile outside of the picture"))?;
                to.copy_from_slice(&samples[..length]);
            }
        }
        Ok(())
    }

    fn pixels_of(&self, samples: DecodingResult) -> Result<Pixels, Fault> {
        let float = |v| Ok::<_, Fault>(Pixels::F32(self.array(v)?));
        match samples {
            DecodingResult::U8(v) => Ok(Pixels::U8(self.array(self.widened(v)?)?)),
            DecodingResult::U16(v) => Ok(Pixels::U16(self.array(v)?)),
            DecodingResult::F32(v) => float(v),
            DecodingResult::F16(v) => float(memory::converted(&v, |h| h.to_f32())?),
            DecodingResult::F64(v) => float(memory::converted(&v, |&d| d as f32)?),
            DecodingResult::U32(v) => {
                let scale = 1.0 / f64::from(u32::MAX);
                float(memory::converted(&v, |&n| (f64::from(n) * scale) as f32)?)
            }
            _ => Err(Fault::unsupported("signed or 64-bit integer TIFF")),
        }
    }

    /// Samples of fewer than 8 bits, packed from the highest bit down in rows of whole bytes (TIFF 6.0, FillOrder 1), scaled to 8 bits.
    fn widened(&self, packed: Vec<u8>) -> Result<Vec<u8>, Fault> {
        let bits = usize::from(self.kind.bit_depth());
        if bits >= 8 {
            return Ok(packed);
        }
        let largest = (1u16 << bits) - 1;
        let row = (self.columns * bits).div_ceil(8);
        let mut out = memory::room(self.pixels())?;
        for line in packed.chunks_exact(row).take(self.rows) {
            out.extend((0..self.columns).map(|column| {
                let (byte, bit) = (column * bits / 8, column * bits % 8);
                let pair = [line[byte], line.get(byte + 1).copied().unwrap_or(0)];
                let code = u16::from_be_bytes(pair) >> (16 - bits - bit) & largest;
                ((u32::from(code) * 255 + u32::from(largest) / 2) / u32::from(largest)) as u8
            }));
        }
        Ok(out)
    }

    /// The samples as rows, columns, channels.
    fn array<T: Copy>(&self, samples: Vec<T>) -> Result<Array3<T>, Fault> {
        let count = self.pixels();
        if samples.len() != count * self.samples {
            return Err(Fault::damaged("fewer samples than pixels"));
        }
        let samples = if self.planar {
            let mut mixed = memory::room(count * self.wanted)?;
            let place = |pixel| (0..self.wanted).map(move |k| k * count + pixel);
            mixed.extend((0..count).flat_map(place).map(|place| samples[place]));
            mixed
        } else {
            drop_alpha(samples, self.samples, self.wanted)
        };
        let shape = (self.rows, self.columns, self.wanted);
        Array3::from_shape_vec(shape, samples).map_err(Fault::damaged)
    }
}

/// Samples stored for a pixel, and how many of them are kept. `alpha` is true where the one extra sample is transparency.
fn channels(kind: ColorType, alpha: bool) -> Result<(usize, usize), Fault> {
    let what = match kind {
        ColorType::Gray(1..=8 | 16 | 32 | 64) => return Ok((1, 1)),
        ColorType::Gray(bits) => format!("{bits}-bit TIFF"),
        ColorType::RGB(bits) | ColorType::RGBA(bits) | ColorType::GrayA(bits)
            if !matches!(bits, 8 | 16 | 32 | 64) =>
        {
            format!("{bits}-bit colour TIFF")
        }
        ColorType::GrayA(_) => return Ok((2, 1)),
        ColorType::Multiband {
            bit_depth: 8 | 16 | 32,
            num_samples: 2,
        } if alpha => return Ok((2, 1)),
        ColorType::RGB(_) => return Ok((3, 3)),
        ColorType::RGBA(_) => return Ok((4, 3)),
        ColorType::YCbCr(8) => return Ok((3, 3)),
        ColorType::YCbCr(bits) => format!("{bits}-bit YCbCr TIFF"),
        ColorType::CMYK(_) | ColorType::CMYKA(_) => "four-colour (CMYK) TIFF".into(),
        _ => "TIFF with further bands".into(),
    };
    Err(Fault::unsupported(what))
}
