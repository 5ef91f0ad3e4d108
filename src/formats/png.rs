//! PNG (Third Edition): 1 to 16-bit gray, RGB and palette in; 8 and 16-bit gray and RGB out.
use super::deflate::{adler32, deflate};
use super::fault::Fault;
use super::read::{Decoded, drop_alpha};
use super::{Compression, Header, metadata};
use crate::raster::Pixels;
use ndarray::{Array3, ArrayView3};
use png::{BitDepth, ColorType, Decoder, DecodingError, Transformations};
use rayon::prelude::*;
use std::io::{self, BufRead, Cursor, Seek};

/// Size, EXIF (chunk eXIf) and ICC profile, from the chunks before the picture.
pub(super) fn header(file: &mut (impl BufRead + Seek)) -> Result<Header, Fault> {
    let reader = Decoder::new(file).read_info().map_err(fault)?;
    let info = reader.info();
    let mut header = Header {
        columns: info.width as usize,
        rows: info.height as usize,
        icc_profile: info.icc_profile.as_ref().map(|p| p.to_vec()),
        ..Header::default()
    };
    if let Some(block) = &info.exif_metadata {
        metadata::fill(&mut header, block.to_vec());
    }
    Ok(header)
}

/// Decodes a file whose size was held against the limits already. Palettes and 1, 2 and 4-bit gray become 8-bit;
/// transparency is dropped.
pub(super) fn decode(bytes: &[u8]) -> Result<Decoded, Fault> {
    let mut decoder = Decoder::new(Cursor::new(bytes));
    decoder.set_transformations(Transformations::EXPAND);
    let mut reader = decoder.read_info().map_err(fault)?;
    let size = reader
        .output_buffer_size()
        .ok_or(Fault::damaged("a size beyond memory"))?;
    // one byte of deflate cannot stand for more than 1032 bytes (RFC 1951: 258 bytes for 2 bits)
    if size / 1032 / 8 > bytes.len() {
        return Err(Fault::damaged(
            "the file is too short for the size it claims",
        ));
    }
    let mut data = vec![0; size];
    let frame = reader.next_frame(&mut data).map_err(fault)?;
    reader.finish().map_err(fault)?; // a cut or false end is damage
    let (stored, wanted) = match frame.color_type {
        ColorType::Grayscale => (1, 1),
        ColorType::GrayscaleAlpha => (2, 1),
        ColorType::Rgb => (3, 3),
        ColorType::Rgba => (4, 3),
        ColorType::Indexed => return Err(Fault::damaged("a palette that could not be applied")),
    };
    let shape = (frame.height as usize, frame.width as usize, wanted);
    let pixels = match frame.bit_depth {
        BitDepth::Sixteen => {
            let wide: Vec<u16> = data
                .chunks_exact(2)
                .map(|b| u16::from_be_bytes([b[0], b[1]]))
                .collect();
            Pixels::U16(shaped(shape, drop_alpha(wide, stored, wanted))?)
        }
        _ => Pixels::U8(shaped(shape, drop_alpha(data, stored, wanted))?),
    };
    Ok(Decoded {
        pixels,
        compression: Compression::Lossless,
        damaged: false,
    })
}

/// Encodes 8-bit samples (1 or 3 channels), with a colour profile if given. The bytes do not depend on the number of
/// threads.
///
/// # Errors
/// `InvalidInput` for an empty picture, other channel counts or sides beyond 2^31.
pub fn encode8(samples: ArrayView3<u8>, icc: Option<&[u8]>) -> io::Result<Vec<u8>> {
    encode(samples, icc, BitDepth::Eight, |line, out| {
        out.extend_from_slice(line);
    })
}

/// Encodes 16-bit samples, otherwise as [`encode8`].
///
/// # Errors
/// As [`encode8`].
pub fn encode16(samples: ArrayView3<u16>, icc: Option<&[u8]>) -> io::Result<Vec<u8>> {
    encode(samples, icc, BitDepth::Sixteen, |line, out| {
        out.extend(line.iter().flat_map(|v| v.to_be_bytes()));
    })
}

/// Rows of a stripe that is filtered and deflated by itself.
const STRIPE_ROWS: usize = 64;

fn encode<T: Copy + Sync>(
    samples: ArrayView3<T>,
    icc: Option<&[u8]>,
    depth: BitDepth,
    bytes_of: impl Fn(&[T], &mut Vec<u8>) + Sync,
) -> io::Result<Vec<u8>> {
    let (rows, columns, channels) = samples.dim();
    let kind = match channels {
        1 => ColorType::Grayscale,
        3 => ColorType::Rgb,
        _ => return Err(invalid("neither 1 nor 3 channels")),
    };
    let (Ok(width), Ok(height)) = (u32::try_from(columns), u32::try_from(rows)) else {
        return Err(invalid("a side that PNG cannot hold"));
    };
    let mut info = png::Info::with_size(width, height);
    (info.color_type, info.bit_depth) = (kind, depth);
    info.icc_profile = icc.map(|profile| profile.to_vec().into());
    let mut out = Vec::new();
    let encoder = png::Encoder::with_info(&mut out, info).map_err(io::Error::other)?;
    let mut writer = encoder.write_header().map_err(io::Error::other)?;
    let samples = samples.as_standard_layout();
    let data = samples.as_slice().ok_or(invalid("samples not in order"))?;
    for chunk in compressed(data, columns * channels, channels, &bytes_of) {
        let written = writer.write_chunk(png::chunk::IDAT, &chunk);
        written.map_err(io::Error::other)?;
    }
    writer.finish().map_err(io::Error::other)?;
    Ok(out)
}

/// The zlib stream, one piece a stripe: every stripe is filtered against the true row above it, so the joined stream is
/// that of the whole picture.
fn compressed<T: Copy + Sync>(
    data: &[T],
    line: usize,
    channels: usize,
    bytes_of: &(impl Fn(&[T], &mut Vec<u8>) + Sync),
) -> Vec<Vec<u8>> {
    let stripes = data.len().div_ceil(line * STRIPE_ROWS);
    let step = channels * size_of::<T>();
    let mut chunks: Vec<(Vec<u8>, u32, usize)> = data
        .par_chunks(line * STRIPE_ROWS)
        .enumerate()
        .map(|(index, stripe)| {
            let start = index * STRIPE_ROWS * line;
            let mut above = Vec::new();
            match index {
                0 => above.resize(line * size_of::<T>(), 0),
                _ => bytes_of(&data[start - line..start], &mut above),
            }
            let mut filtered = Vec::with_capacity(size_of_val(stripe) + STRIPE_ROWS);
            let mut here = Vec::new();
            for row in stripe.chunks_exact(line) {
                here.clear();
                bytes_of(row, &mut here);
                paeth(&here, &above, step, &mut filtered);
                std::mem::swap(&mut here, &mut above);
            }
            let stream = deflate(&filtered, filtered.len(), 1, index + 1 == stripes);
            (stream, adler32(&filtered), filtered.len())
        })
        .collect();
    let check = chunks.iter().fold(1, |sum, (_, adler, length)| {
        adler32_joined(sum, *adler, *length)
    });
    if let Some((first, ..)) = chunks.first_mut() {
        first.splice(0..0, [0x78, 0x01]);
    }
    if let Some((last, ..)) = chunks.last_mut() {
        last.extend(check.to_be_bytes());
    }
    chunks.into_iter().map(|(stream, ..)| stream).collect()
}

/// Filter type 4 (PNG Third Edition, 9.4): each byte less the nearest of left, above and above-left to their slope.
fn paeth(here: &[u8], above: &[u8], step: usize, out: &mut Vec<u8>) {
    out.push(4);
    let first = here.iter().zip(above).take(step);
    out.extend(first.map(|(h, a)| h.wrapping_sub(*a)));
    let left = here.iter();
    let rest = here.iter().zip(above).skip(step).zip(left.zip(above));
    out.extend(rest.map(|((&h, &b), (&a, &c))| {
        let (pa, pb) = (i16::from(b) - i16::from(c), i16::from(a) - i16::from(c));
        let pc = (pa + pb).abs();
        let (pa, pb) = (pa.abs(), pb.abs());
        let upper = if pb <= pc { b } else { c };
        let nearest = if pa <= pb && pa <= pc { a } else { upper };
        h.wrapping_sub(nearest)
    }));
}

/// Checksum of two stretches from theirs and the length of the second (RFC 1950, 8.2: sums modulo 65521).
fn adler32_joined(first: u32, second: u32, second_length: usize) -> u32 {
    const BASE: u64 = 65521;
    let (a1, b1) = (u64::from(first & 0xffff), u64::from(first >> 16));
    let (a2, b2) = (u64::from(second & 0xffff), u64::from(second >> 16));
    let length = second_length as u64 % BASE;
    let a = (a1 + a2 + BASE - 1) % BASE;
    let b = (b1 + b2 + length * (a1 + BASE - 1)) % BASE;
    (b << 16 | a) as u32
}

fn invalid(what: &str) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidInput, what)
}

fn shaped<T>(shape: (usize, usize, usize), data: Vec<T>) -> Result<Array3<T>, Fault> {
    Array3::from_shape_vec(shape, data).map_err(Fault::damaged)
}

fn fault(error: DecodingError) -> Fault {
    match error {
        DecodingError::IoError(e) => e.into(),
        other => Fault::damaged(other),
    }
}
