//! Rows of channels -> one block of an OpenEXR file: by PXR24, differences along a row in byte planes, or by ZIP.
use super::ChannelRows;
use crate::formats::deflate::zlib;
use fdeflate::compress_to_vec;
use std::ops::Range;

/// Rows in a block of either scheme.
pub(super) const BLOCK_ROWS: usize = 16;

/// The data of one block: the rows `rows` of the strips, channels in the order of the header.
pub(super) fn block(strips: &[&ChannelRows], rows: Range<usize>, columns: usize) -> Vec<u8> {
    let planes: usize = strips.iter().map(|s| planes_of(s)).sum();
    let mut data = vec![0; planes * columns * rows.len()];
    let mut rest = data.as_mut_slice();
    for row in rows.clone() {
        let place = row * columns..(row + 1) * columns;
        for strip in strips {
            let (here, after) = rest.split_at_mut(planes_of(strip) * columns);
            match strip {
                ChannelRows::Uint(v) => differences(&v[place.clone()], here, |&v| v, 4),
                ChannelRows::Half(v) => {
                    differences(&v[place.clone()], here, |v| u32::from(v.to_bits()), 2);
                }
                ChannelRows::Float(v) => differences(&v[place.clone()], here, |&v| to_24(v), 3),
            }
            rest = after;
        }
    }
    let packed = compress_to_vec(&data);
    let raw: usize = strips.iter().map(|s| s.kind().bytes()).sum::<usize>() * columns * rows.len();
    if packed.len() < raw {
        packed
    } else {
        unpacked(strips, rows, columns)
    }
}

/// The data of one block by the ZIP scheme: even bytes, then odd bytes, each less the one before.
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
    // differences lie about 128, not about 0: a code of their own is worth it
    let packed = zlib(&data);
    if packed.len() < raw.len() {
        packed
    } else {
        raw
    }
}

fn planes_of(strip: &ChannelRows) -> usize {
    match strip {
        ChannelRows::Uint(_) => 4,
        ChannelRows::Half(_) => 2,
        ChannelRows::Float(_) => 3,
    }
}

/// Differences of neighbours, each byte of them in a plane of its own, the highest first.
fn differences<T>(row: &[T], planes: &mut [u8], code: impl Fn(&T) -> u32, bytes: usize) {
    for (k, plane) in planes.chunks_exact_mut(row.len()).enumerate() {
        let shift = 8 * (bytes - 1 - k) as u32;
        let mut before = 0;
        for (value, byte) in row.iter().zip(plane) {
            let now = code(value);
            *byte = (now.wrapping_sub(before) >> shift) as u8;
            before = now;
        }
    }
}

/// The upper 24 bits of a float, rounded; infinities stay, a value that would round to infinity is cut instead, and a
/// NaN keeps at least one bit of its payload.
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

/// The samples as they are, little-endian, for blocks that do not get smaller.
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
