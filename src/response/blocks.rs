//! Block means of co-located pixels: the samples that responses, exposure ratios and noise are estimated from.
//!
//! A block mean keeps its value through JPEG compression far better than a pixel does, and averages noise before the
//! curved response is applied to it, so that fits to block means have next to no errors-in-variables bias.
use crate::frames::{Bracket, Frame};
use crate::raster::{Pixels, Point};
use rayon::prelude::*;

/// Code units used for statistics: full scale is 255, whatever the file's depth.
pub(crate) const CODES: f64 = 255.0;

/// Statistics of co-located square blocks in every frame, for one channel. Block-major: index `block * frames + frame`.
#[derive(Debug, Clone, Default)]
pub struct BlockSamples {
    /// Number of frames.
    pub frames: usize,
    /// Pixels a block.
    pub pixels: usize,
    /// Block means, codes 0..=255.
    pub mean: Vec<f32>,
    /// Variance inside the block, codes^2 (noise and texture).
    pub variance: Vec<f32>,
    /// Largest code in the block.
    pub peak: Vec<f32>,
    /// By block, not by frame: which of 16 x 12 tiles of the picture it lies in.
    pub tile: Vec<u16>,
}

impl BlockSamples {
    /// Number of blocks.
    pub fn len(&self) -> usize {
        self.mean.len() / self.frames.max(1)
    }

    /// True without any block.
    pub fn is_empty(&self) -> bool {
        self.mean.is_empty()
    }
}

/// Blocks wanted: more do not lower the residual, which is systematic by then.
const BLOCKS_WANTED: usize = 90_000;

/// Tiles across and down that blocks are told apart by.
const TILES: (usize, usize) = (16, 12);

/// Side of the blocks for a picture of this many pixels: 8 (a JPEG block) where that leaves enough of them.
pub(crate) fn block_side(rows: usize, columns: usize) -> usize {
    match rows * columns {
        n if n >= 250_000 => 8,
        n if n >= 16_000 => 4,
        _ => 2,
    }
}

/// Collects block statistics for every channel of a bracket (frames in register, or carrying their transform).
/// Blocks lie on the JPEG grid of the reference frame; about 40,000 are taken, spread evenly over the picture.
pub fn collect(bracket: &Bracket) -> Vec<BlockSamples> {
    let (rows, columns, channels) = bracket.frames[bracket.reference].picture.pixels.dim();
    let side = block_side(rows, columns);
    let (down, across) = (rows / side, columns / side);
    let skip = (down * across / BLOCKS_WANTED).max(1);
    let per_row: Vec<Vec<BlockSamples>> = (0..down)
        .into_par_iter()
        .map(|block_row| row_of_blocks(bracket, block_row, across, side, skip, channels))
        .collect();
    let mut all = vec![
        BlockSamples {
            frames: bracket.frames.len(),
            pixels: side * side,
            ..Default::default()
        };
        channels
    ];
    for row in per_row {
        for (sum, part) in all.iter_mut().zip(row) {
            sum.mean.extend(part.mean);
            sum.variance.extend(part.variance);
            sum.peak.extend(part.peak);
            sum.tile.extend(part.tile);
        }
    }
    all
}

fn row_of_blocks(
    bracket: &Bracket,
    block_row: usize,
    across: usize,
    side: usize,
    skip: usize,
    channels: usize,
) -> Vec<BlockSamples> {
    let mut out = vec![BlockSamples::default(); channels];
    let (rows, columns, _) = bracket.frames[bracket.reference].picture.pixels.dim();
    // Offset the chosen columns from row to row, so that the choice has no direction.
    for block_column in ((block_row * 7) % skip..across).step_by(skip) {
        let (top, left) = (block_row * side, block_column * side);
        let places: Option<Vec<_>> = bracket
            .frames
            .iter()
            .map(|f| place(f, top, left, side))
            .collect();
        let Some(places) = places else { continue };
        let tile = top * TILES.1 / rows.max(1) * TILES.0 + left * TILES.0 / columns.max(1);
        for (channel, samples) in out.iter_mut().enumerate() {
            samples.tile.push(tile as u16);
            for (frame, &(row, column)) in bracket.frames.iter().zip(&places) {
                let (mean, variance, peak) =
                    statistics(&frame.picture.pixels, row, column, side, channel);
                samples.mean.push(mean);
                samples.variance.push(variance);
                samples.peak.push(peak);
            }
        }
    }
    out
}

/// Where a block of the reference frame lies in `frame`, to whole pixels; `None` if it leaves the picture. Half a pixel
/// matters little: textured blocks are not used.
pub(crate) fn place(frame: &Frame, top: usize, left: usize, side: usize) -> Option<(usize, usize)> {
    let Some(transform) = &frame.transform else {
        return Some((top, left));
    };
    let half = side as f64 / 2.0;
    let centre = transform.apply(Point {
        x: left as f64 + half,
        y: top as f64 + half,
    })?;
    let (row, column) = ((centre.y - half).round(), (centre.x - half).round());
    let (rows, columns, _) = frame.picture.pixels.dim();
    let inside = row >= 0.0
        && column >= 0.0
        && row as usize + side <= rows
        && column as usize + side <= columns;
    inside.then_some((row as usize, column as usize))
}

/// Mean, variance and largest code of a block.
pub(crate) fn statistics(
    pixels: &Pixels,
    top: usize,
    left: usize,
    side: usize,
    channel: usize,
) -> (f32, f32, f32) {
    let (mut sum, mut square, mut peak) = (0.0f64, 0.0f64, 0.0f32);
    let mut take = |code: f32| {
        sum += f64::from(code);
        square += f64::from(code) * f64::from(code);
        peak = peak.max(code);
    };
    macro_rules! walk {
        ($array:expr, $scale:expr) => {
            for row in top..top + side {
                for column in left..left + side {
                    take($array[[row, column, channel]] as f32 * $scale);
                }
            }
        };
    }
    match pixels {
        Pixels::U8(a) => walk!(a, 1.0),
        Pixels::U16(a) => walk!(a, (CODES / 65535.0) as f32),
        Pixels::F32(a) => walk!(a, CODES as f32),
    }
    let count = (side * side) as f64;
    let mean = sum / count;
    (
        mean as f32,
        (square / count - mean * mean).max(0.0) as f32,
        peak,
    )
}
