//! Sizes that blocks of the DWAA and DWAB schemes state for themselves, held against the picture before the `exr` crate allocates them.
use crate::fault::Fault;
use exr::block::chunk::{Chunk, CompressedBlock};
use exr::compression::Compression;
use exr::meta::header::Header;

/// A block begins with eleven 64-bit numbers (OpenEXR 3.1, ImfDwaCompressor.cpp): these of them are sizes of what is decompressed:
/// bytes of other samples, bytes of run lengths, bytes these expand to, and counts of coefficients of two bytes.
const SIZES: [usize; 5] = [1, 6, 7, 8, 9];
/// Bytes of a sample at most, twice: run lengths take up to two bytes for one.
const LARGEST: usize = 8;

/// Refuses a block that states sizes beyond those of its samples in whole squares of 8 x 8.
pub(super) fn check(chunk: &Chunk, header: &Header) -> Result<(), Fault> {
    if !matches!(
        header.compression,
        Compression::DWAA(_) | Compression::DWAB(_)
    ) {
        return Ok(());
    }
    let data = match &chunk.compressed_block {
        CompressedBlock::ScanLine(block) => &block.compressed_pixels_le,
        CompressedBlock::Tile(block) => &block.compressed_pixels_le,
        _ => return Ok(()),
    };
    let exr::math::Vec2(columns, rows) = header.max_block_pixel_size();
    let squares = columns.div_ceil(8).saturating_mul(rows.div_ceil(8));
    let samples = squares.saturating_mul(64 * header.channels.list.len());
    let most = samples.saturating_mul(LARGEST) as u64;
    let numbers = data.as_chunks::<8>().0;
    let stated = SIZES.iter().filter_map(|&k| numbers.get(k));
    match stated.map(|bytes| u64::from_le_bytes(*bytes)).max() {
        Some(largest) if largest > most => {
            Err(Fault::damaged("a block that states an impossible size"))
        }
        _ => Ok(()),
    }
}
