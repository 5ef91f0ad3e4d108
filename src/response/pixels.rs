//! Single pixels for the published methods: from even places, usable in two frames, spread over all codes.
use super::block_statistics::{self, CODES};
use super::blocks;
use rayon::prelude::*;
use stopspan_core::model::Bracket;
use stopspan_core::raster::Pixels;

/// Places looked at.
const PLACES_WANTED: usize = 30_000;
/// Pixels taken of one code in one frame before the code counts as served.
const SERVED: usize = 40;
/// Largest standard deviation around a pixel, codes: beyond it the frames need not show the same place.
const UNEVEN: f32 = 6.0;

/// 8-bit codes by channel, pixel and frame; deeper frames are rounded to 8 bits.
pub(crate) fn collect(bracket: &Bracket) -> Vec<Vec<Vec<u8>>> {
    let (rows, columns, channels) = bracket.reference_frame().picture.pixels.dim();
    let side = blocks::block_side(rows, columns);
    let (down, across) = (rows / side, columns / side);
    let skip = (down * across / PLACES_WANTED).max(1);
    let found: Vec<Vec<(usize, Vec<u8>)>> = (0..down)
        .into_par_iter()
        .map(|row| {
            let columns = ((row * 7) % skip..across).step_by(skip);
            columns
                .flat_map(|column| at_place(bracket, (row * side, column * side), side))
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

/// The middle pixel of a block, by channel, where the block is even and neither black nor clipped in two frames.
fn at_place(bracket: &Bracket, place: (usize, usize), side: usize) -> Vec<(usize, Vec<u8>)> {
    let frames = &bracket.frames;
    let places: Option<Vec<_>> = frames
        .iter()
        .map(|f| blocks::place(f, place.0, place.1, side))
        .collect();
    let Some(places) = places else {
        return Vec::new();
    };
    let channels = bracket.reference_frame().picture.pixels.channels();
    let views = frames.iter().zip(&places);
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

fn code(pixels: &Pixels, row: usize, column: usize, channel: usize) -> u8 {
    let at = [row, column, channel];
    match pixels {
        Pixels::U8(a) => a[at],
        Pixels::U16(a) => (f64::from(a[at]) / 65535.0 * CODES).round() as u8,
        // A cast to u8 saturates.
        Pixels::F32(a) => (f64::from(a[at]) * CODES).round() as u8,
    }
}

/// Only pixels that bring a code not yet served in its frame.
fn spread(pixels: Vec<Vec<u8>>, frames: usize) -> Vec<Vec<u8>> {
    let mut served = vec![[0usize; 256]; frames];
    let mut kept = Vec::new();
    for pixel in pixels {
        let mut codes = served.iter().zip(&pixel);
        if codes.any(|(frame, &code)| frame[usize::from(code)] < SERVED) {
            for (frame, &code) in served.iter_mut().zip(&pixel) {
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
        assert_eq!(kept.len(), SERVED + 1);
        assert_eq!(kept.last().unwrap(), &[7, 14]);
    }
}
