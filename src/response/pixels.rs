//! Single pixels for the published methods: from uniform blocks, usable in at least two frames, spread over all codes.
use super::block_statistics::{self, CODES};
use super::blocks;
use rayon::prelude::*;
use stopspan_core::model::Bracket;
use stopspan_core::raster::Pixels;

/// Approximate number of blocks examined.
const BLOCKS_WANTED: usize = 30_000;
/// Number of pixels that suffices for one code of one frame.
const ENOUGH: usize = 40;
/// Largest standard deviation inside a block, codes: beyond it small registration errors change the code of a pixel.
const UNEVEN: f32 = 6.0;

/// 8-bit codes by channel, pixel and frame; samples of more than 8 bits are rounded.
pub(crate) fn collect(bracket: &Bracket) -> Vec<Vec<Vec<u8>>> {
    let (rows, columns, channels) = bracket.reference_frame().picture.pixels.dim();
    let side = blocks::block_side(rows, columns);
    let (down, across) = (rows / side, columns / side);
    let skip = (down * across / BLOCKS_WANTED).max(1);
    let found: Vec<Vec<(usize, Vec<u8>)>> = (0..down)
        .into_par_iter()
        .map(|row| {
            let columns = ((row * 7) % skip..across).step_by(skip);
            columns
                .flat_map(|column| middle_of_block(bracket, row * side, column * side, side))
                .collect()
        })
        .collect();
    let mut all = vec![Vec::new(); channels];
    for (channel, codes) in found.into_iter().flatten() {
        all[channel].push(codes);
    }
    let frames = bracket.frames.len();
    all.into_iter().map(|c| spread(c, frames)).collect()
}

/// Channel and codes by frame of the middle pixel of a block, for channels in which the block is uniform, and neither black
/// nor clipped in at least two frames.
fn middle_of_block(
    bracket: &Bracket,
    top: usize,
    left: usize,
    side: usize,
) -> Vec<(usize, Vec<u8>)> {
    let frames = &bracket.frames;
    let corners: Option<Vec<_>> = frames
        .iter()
        .map(|f| blocks::locate(f, top, left, side))
        .collect();
    let Some(corners) = corners else {
        return Vec::new();
    };
    let channels = bracket.reference_frame().picture.pixels.channels();
    let views = frames.iter().zip(&corners);
    let views: Vec<_> = views
        .map(|(frame, &at)| {
            let pixels = &frame.picture.pixels;
            (
                pixels,
                at,
                block_statistics::statistics(pixels, &[at], side),
            )
        })
        .collect();
    let of_channel = |channel: usize| {
        let (mut codes, mut usable) = (Vec::with_capacity(frames.len()), 0);
        for (pixels, (row, column), statistics) in &views {
            let (mean, variance, peak) = statistics[channel];
            let clipped = peak > 254.0;
            if variance > UNEVEN * UNEVEN && !clipped {
                return None;
            }
            usable += usize::from(mean > 3.0 && !clipped);
            codes.push(code(pixels, row + side / 2, column + side / 2, channel));
        }
        (usable >= 2).then_some((channel, codes))
    };
    (0..channels).filter_map(of_channel).collect()
}

/// Code of a sample, 0..=255.
fn code(pixels: &Pixels, row: usize, column: usize, channel: usize) -> u8 {
    let at = [row, column, channel];
    match pixels {
        Pixels::U8(a) => a[at],
        Pixels::U16(a) => (f64::from(a[at]) / 65535.0 * CODES).round() as u8,
        // A cast to u8 saturates.
        Pixels::F32(a) => (f64::from(a[at]) * CODES).round() as u8,
    }
}

/// Keeps a pixel only if some frame has fewer than [`ENOUGH`] pixels of its code so far.
fn spread(pixels: Vec<Vec<u8>>, frames: usize) -> Vec<Vec<u8>> {
    let mut counts = vec![[0usize; 256]; frames];
    let mut kept = Vec::new();
    for pixel in pixels {
        let mut codes = counts.iter().zip(&pixel);
        if codes.any(|(frame, &code)| frame[usize::from(code)] < ENOUGH) {
            for (frame, &code) in counts.iter_mut().zip(&pixel) {
                frame[usize::from(code)] += 1;
            }
            kept.push(pixel);
        }
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_common_code_does_not_crowd_out_a_rare_one() {
        let mut pixels = vec![vec![100, 200]; 5000];
        pixels.push(vec![7, 14]);
        let kept = spread(pixels, 2);
        assert_eq!(kept.len(), ENOUGH + 1);
        assert_eq!(kept.last().unwrap(), &[7, 14]);
    }
}
