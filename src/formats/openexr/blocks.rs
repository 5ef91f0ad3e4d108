//! Encodes rows of channels as one block of an OpenEXR file, by PXR24 or by ZIP.
use super::ChannelRows;
use crate::deflate::zlib;
use crate::huffman::{Code, Counts, Stream};
use half::f16;
use std::ops::Range;
use stopspan_core::raster::{Work, dispatch_simd};

/// Rows in a block, for either scheme.
pub(super) const BLOCK_ROWS: usize = 16;

/// Encodes a block by PXR24: the rows `rows` of the strips, channels in the order of the header.
pub(super) fn block(strips: &[&ChannelRows], rows: Range<usize>, columns: usize) -> Vec<u8> {
    let pieces = pieces(strips, columns);
    let mut data = vec![0; pieces.last().map_or(0, |p| p.0.end)];
    let mut codes = vec![0; columns];
    // The middle row determines the Huffman codes of the block.
    let middle = (rows.start + rows.end) / 2;
    fill_row(&mut data, &mut codes, strips, middle);
    let suited: Vec<Option<Code>> = (0..KINDS)
        .map(|kind| suited(&data, &pieces, kind))
        .collect();
    let raw: usize = strips.iter().map(|s| s.kind().bytes()).sum::<usize>() * columns * rows.len();
    let mut stream = Stream::new(raw * 2 / 3);
    for row in rows.clone() {
        fill_row(&mut data, &mut codes, strips, row);
        let coded = |(range, kind): &(Range<usize>, usize)| (range.clone(), suited[*kind].as_ref());
        stream.write(&data, pieces.iter().map(coded));
    }
    let packed = stream.finish();
    if packed.len() < raw {
        packed
    } else {
        unpacked(strips, rows, columns)
    }
}

/// Kinds of byte planes, each with a Huffman code of its own: upper bytes of floats, lowest bytes of floats, all
/// bytes of other types.
const KINDS: usize = 3;

/// Byte ranges of a row's data, each with its kind.
fn pieces(strips: &[&ChannelRows], columns: usize) -> Vec<(Range<usize>, usize)> {
    let mut pieces: Vec<(Range<usize>, usize)> = Vec::new();
    let kinds = strips.iter().flat_map(|strip| match strip {
        ChannelRows::Float(_) => vec![(2, 0), (1, 1)],
        other => vec![(planes_of(other), 2)],
    });
    for (planes, kind) in kinds {
        let start = pieces.last().map_or(0, |p| p.0.end);
        let end = start + planes * columns;
        match pieces.last_mut() {
            Some(last) if last.1 == kind => last.0.end = end,
            _ => pieces.push((start..end, kind)),
        }
    }
    pieces
}

/// The Huffman code for the pieces of one kind.
fn suited(data: &[u8], pieces: &[(Range<usize>, usize)], kind: usize) -> Option<Code> {
    let mut counts = Counts::new();
    let these = pieces.iter().filter(|p| p.1 == kind);
    these.for_each(|p| counts.add(&data[p.0.clone()]));
    counts.code()
}

/// Fills the byte planes of one row of all channels; `codes` is scratch space for a row.
fn fill_row(data: &mut [u8], codes: &mut [u32], strips: &[&ChannelRows], row: usize) {
    let columns = codes.len();
    let place = row * columns..(row + 1) * columns;
    let mut rest = data;
    for strip in strips {
        let (planes, after) = rest.split_at_mut(planes_of(strip) * columns);
        let place = place.clone();
        match strip {
            ChannelRows::Uint(v) => split_bytes(&v[place], |&v| v, codes, planes),
            ChannelRows::Half(v) => {
                split_bytes(&v[place], |v: &f16| v.to_bits().into(), codes, planes);
            }
            ChannelRows::Float(v) => split_bytes(&v[place], |&v| to_24(v), codes, planes),
        }
        rest = after;
    }
}

/// Bytes of a sample, i.e. byte planes of a channel.
fn planes_of(strip: &ChannelRows) -> usize {
    match strip {
        ChannelRows::Uint(_) => 4,
        ChannelRows::Half(_) => 2,
        ChannelRows::Float(_) => 3,
    }
}

/// Fills the byte planes of some samples, whose codes are `code` of each; `codes` is scratch space.
fn split_bytes<T, C: Fn(&T) -> u32>(samples: &[T], code: C, codes: &mut [u32], planes: &mut [u8]) {
    dispatch_simd(SplitBytes {
        samples,
        code,
        codes,
        planes,
    });
}

struct SplitBytes<'a, T, C> {
    samples: &'a [T],
    code: C,
    codes: &'a mut [u32],
    planes: &'a mut [u8],
}

impl<T, C: Fn(&T) -> u32> Work for SplitBytes<'_, T, C> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let SplitBytes {
            samples,
            code,
            codes,
            planes,
        } = self;
        let pairs = codes.iter_mut().zip(samples);
        pairs.for_each(|(to, sample)| *to = code(sample));
        differences(codes, planes);
    }
}

/// Encodes a block by ZIP: even bytes, then odd bytes, each as the difference to the byte before.
pub(super) fn zip_block(strips: &[&ChannelRows], rows: Range<usize>, columns: usize) -> Vec<u8> {
    let raw = unpacked(strips, rows, columns);
    let half = raw.len().div_ceil(2);
    let mut data = vec![0; raw.len()];
    for (k, byte) in raw.iter().enumerate() {
        data[k / 2 + if k % 2 == 0 { 0 } else { half }] = *byte;
    }
    let mut before = data.first().copied().unwrap_or(0);
    for byte in data.iter_mut().skip(1) {
        let now = *byte;
        *byte = now.wrapping_sub(before).wrapping_add(128);
        before = now;
    }
    // Differences are centred on 128 instead of 0, which makes a Huffman code of their own worthwhile.
    let packed = zlib(&data);
    if packed.len() < raw.len() {
        packed
    } else {
        raw
    }
}

/// Differences of neighbouring codes, split into one plane for each byte, highest first.
#[inline(always)]
fn differences(codes: &[u32], planes: &mut [u8]) {
    let bytes = planes.len() / codes.len().max(1);
    for (k, plane) in planes.chunks_exact_mut(codes.len().max(1)).enumerate() {
        let shift = 8 * (bytes - 1 - k) as u32;
        if let (Some(byte), Some(first)) = (plane.first_mut(), codes.first()) {
            *byte = (first >> shift) as u8;
        }
        let pairs = codes.iter().zip(&codes[1..]);
        for (byte, (before, now)) in plane[1..].iter_mut().zip(pairs) {
            *byte = (now.wrapping_sub(*before) >> shift) as u8;
        }
    }
}

/// Upper 24 bits of a float, rounded. Infinities are kept; a finite value that would round to infinity is truncated;
/// a NaN keeps at least one bit of its payload.
#[inline(always)]
pub(super) fn to_24(value: f32) -> u32 {
    let bits = value.to_bits();
    let (sign, rest) = (bits & 0x8000_0000, bits & 0x7fff_ffff);
    let kept = if value.is_nan() {
        let payload = (bits & 0x007f_ffff) >> 8;
        0x7f_8000 | payload | u32::from(payload == 0)
    } else if rest == 0x7f80_0000 {
        0x7f_8000
    } else {
        let rounded = (rest + 0x80) >> 8;
        if rounded >= 0x7f_8000 {
            rest >> 8
        } else {
            rounded
        }
    };
    sign >> 8 | kept
}

/// The uncompressed samples, little-endian, for blocks that compression does not reduce.
fn unpacked(strips: &[&ChannelRows], rows: Range<usize>, columns: usize) -> Vec<u8> {
    let mut data = Vec::new();
    for row in rows {
        let place = row * columns..(row + 1) * columns;
        for strip in strips {
            match strip {
                ChannelRows::Uint(v) => {
                    data.extend(v[place.clone()].iter().flat_map(|v| v.to_le_bytes()));
                }
                ChannelRows::Half(v) => {
                    data.extend(v[place.clone()].iter().flat_map(|v| v.to_le_bytes()));
                }
                ChannelRows::Float(v) => {
                    data.extend(v[place.clone()].iter().flat_map(|v| v.to_le_bytes()));
                }
            }
        }
    }
    data
}
