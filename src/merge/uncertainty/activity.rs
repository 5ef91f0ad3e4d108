//! Activity and colour of every block of the reference frame.
//!
//! What coding and noise reduction take away depends on how much a place varies, and how far one response curve a channel
//! is true depends on its colour. Both are known per block of 8 x 8 pixels, from the frame that shows it best.
use ndarray::{Array2, Array3};
use rayon::prelude::*;
use stopspan_core::model::{
    ACTIVITIES, BLOCK, BlockClass, Bracket, Compression, Frame, Response, ResponseCurve,
    main_channel,
};
use stopspan_core::raster::{Pixels, Point, Work, dispatch_simd};

/// Blocks whose mean or whose highest sample comes nearer than this to the clip level, 8-bit codes, are taken from another frame.
const FROM_CLIPPING: f64 = 3.0;
/// The same above the floor.
const FROM_FLOOR: f64 = 4.0;
/// Least difference between the largest and the smallest channel of a colour, as a share of the largest.
const COLOURED: f64 = 0.12;
/// Relative error of fine detail, a share of its standard deviation, that a camera's processing leaves in all frames alike: sharpening,
/// noise reduction. Found with simulated cameras; no difference between frames shows it.
const PROCESSED: f64 = 0.1;
/// Every so many rows of a block are looked at.
const EVERY: usize = 2;
/// About so many blocks decide where the classes of activity begin.
const SAMPLED: usize = 20_000;

/// Sums over the pixels of a block in one frame, fractions of full scale.
#[derive(Clone, Copy)]
struct Sums {
    /// Mean of every channel; all alike for frames of one channel.
    mean: [f64; 3],
    /// Variance of the main channel.
    variance: f64,
    /// The part of it that is fine detail: half the mean square difference of pixels two columns apart.
    fine: f64,
    /// Highest sample of the main channel.
    highest: f64,
}

/// One block, its class of activity not known yet.
#[derive(Clone, Copy, Default)]
struct Block {
    /// Relative standard deviation of exposure.
    activity: f32,
    colour: u8,
    alike: [f32; 3],
}

/// The curves of a bracket, as blocks are judged by them.
struct Curves<'a> {
    main: &'a ResponseCurve,
    /// By channel: d ln exposure / d level at 256 levels.
    slopes: Vec<Vec<f64>>,
}

impl<'a> Curves<'a> {
    fn new(response: &'a Response) -> Self {
        let slopes = |curve: &ResponseCurve| {
            let at = |i: usize| {
                let level = i as f64 / 255.0;
                curve.slope_at(level) / curve.exposure_at(level).max(1e-9)
            };
            (0..256).map(at).collect()
        };
        Curves {
            main: &response.curves[main_channel(response.curves.len())],
            slopes: response.curves.iter().map(slopes).collect(),
        }
    }

    /// d ln exposure / d level of a channel; of the only one, if there is one.
    fn slope(&self, channel: usize, level: f64) -> f64 {
        let node = (level * 255.0).round().clamp(0.0, 255.0) as usize;
        self.slopes[channel.min(self.slopes.len() - 1)][node]
    }

    /// A block with these sums. `halved` is true if its chroma has half the resolution.
    ///
    /// Detail that is grey in the scene, d ln exposure, moves the code of a channel by d / slope. Where chroma has half the resolution, fine
    /// detail moves every channel by the mean of that instead: its relative error is the departure of slope over mean from 1.
    #[inline(always)]
    fn block(&self, sums: &Sums, halved: bool) -> Block {
        let slope = self.slope(1, sums.mean[1]);
        let activity = sums.variance.max(0.0).sqrt() * slope;
        let detail = sums.fine.sqrt() * slope;
        let slopes: [f64; 3] = std::array::from_fn(|c| self.slope(c, sums.mean[c]));
        let mean = slopes.iter().map(|s| 1.0 / s.max(1e-9)).sum::<f64>() / 3.0;
        let alike = slopes.map(|slope| {
            let chroma = if halved {
                (slope * mean - 1.0).clamp(-1.0, 1.0)
            } else {
                0.0
            };
            (detail.min(1.0) * (chroma * chroma + PROCESSED * PROCESSED).sqrt()) as f32
        });
        Block {
            activity: activity as f32,
            colour: colour(sums.mean),
            alike,
        }
    }
}

/// The classes of all blocks of the reference frame.
pub(super) fn classes(bracket: &Bracket, response: &Response) -> Array2<BlockClass> {
    let (rows, columns, _) = bracket.reference_frame().picture.pixels.dim();
    let shape = (rows.div_ceil(BLOCK), columns.div_ceil(BLOCK));
    let curves = Curves::new(response);
    let order = by_distance(bracket);
    let mut places = vec![Block::default(); shape.0 * shape.1];
    let rows = places.par_chunks_mut(shape.1.max(1)).enumerate();
    rows.for_each(|(row, blocks)| {
        dispatch_simd(RowOfBlocks {
            bracket,
            order: &order,
            curves: &curves,
            row: row * BLOCK,
            blocks,
        });
    });
    let edges = edges(&places);
    let class = |block: &Block| BlockClass {
        activity: edges.partition_point(|edge| block.activity >= *edge) as u8,
        colour: block.colour,
        alike: block.alike,
    };
    Array2::from_shape_fn(shape, |(r, c)| class(&places[r * shape.1 + c]))
}

/// Indices of the frames, the reference first, then by the distance of their exposures from its.
fn by_distance(bracket: &Bracket) -> Vec<usize> {
    let apart = |j: usize| bracket.relative_exposure(j).log2().abs();
    let mut order: Vec<usize> = (0..bracket.frames.len()).collect();
    order.sort_by(|&a, &b| apart(a).total_cmp(&apart(b)));
    order.sort_by_key(|&j| j != bracket.reference);
    order
}

/// Runs [`best_view`] on the blocks whose first row of pixels is `row`.
struct RowOfBlocks<'a> {
    bracket: &'a Bracket,
    order: &'a [usize],
    curves: &'a Curves<'a>,
    row: usize,
    blocks: &'a mut [Block],
}

impl Work for RowOfBlocks<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        for (i, block) in self.blocks.iter_mut().enumerate() {
            let corner = [self.row, i * BLOCK];
            *block = best_view(self.bracket, self.order, self.curves, corner);
        }
    }
}

/// A block as the first frame in `order` shows it that neither clips nor crushes it; as the reference does, where none is left.
#[inline(always)]
fn best_view(bracket: &Bracket, order: &[usize], curves: &Curves, corner: [usize; 2]) -> Block {
    let mut first = None;
    for &j in order {
        let Some(sums) = sums_of(&bracket.frames[j], corner) else {
            continue;
        };
        let main = curves.main;
        let bright = main.clip_level - FROM_CLIPPING / 255.0;
        let dark = main.floor_level + FROM_FLOOR / 255.0;
        let shown = sums.highest < bright && sums.mean[1] > dark;
        let block = curves.block(&sums, is_halved(&bracket.frames[j]));
        if shown {
            return block;
        }
        first.get_or_insert(block);
    }
    first.unwrap_or_default()
}

/// Whether a frame's chroma has less resolution than its luminance.
fn is_halved(frame: &Frame) -> bool {
    matches!(
        frame.picture.compression,
        Compression::Jpeg {
            chroma_subsampled: true,
            ..
        }
    )
}

/// The block of `frame` where the reference frame has one with the top left corner `corner` (row, column); `None` outside.
#[inline(always)]
fn sums_of(frame: &Frame, corner: [usize; 2]) -> Option<Sums> {
    let [mut row, mut column] = corner;
    if let Some(transform) = frame.transform {
        let half = BLOCK as f64 / 2.0;
        let centre = transform.apply(Point {
            x: column as f64 + half,
            y: row as f64 + half,
        })?;
        let start = |v: f64| (v - half).round();
        if start(centre.x) < 0.0 || start(centre.y) < 0.0 {
            return None;
        }
        (row, column) = (start(centre.y) as usize, start(centre.x) as usize);
    }
    match &frame.picture.pixels {
        Pixels::U8(a) => sums(a, row, column, 255.0),
        Pixels::U16(a) => sums(a, row, column, 65535.0),
        Pixels::F32(a) => sums(a, row, column, 1.0),
    }
}

/// Sums over one block of samples with this full scale; `None` if it begins outside, or has neither one channel nor three.
#[inline(always)]
fn sums<T: Copy + Into<f32>>(
    samples: &Array3<T>,
    row: usize,
    column: usize,
    full: f32,
) -> Option<Sums> {
    let (rows, columns, channels) = samples.dim();
    if row >= rows || column >= columns {
        return None;
    }
    let (high, wide) = (BLOCK.min(rows - row), BLOCK.min(columns - column));
    let all = samples.as_slice()?;
    let from = |r: usize| (r * columns + column) * channels;
    let lines = (row..row + high).step_by(EVERY).map(|r| &all[from(r)..]);
    match channels {
        1 => Some(sums_of_lines::<T, 1, BLOCK>(lines, wide, full)),
        3 => Some(sums_of_lines::<T, 3, { 3 * BLOCK }>(lines, wide, full)),
        _ => None,
    }
}

/// Sums over the first `wide` pixels, of `C` channels, of these lines. All `N` samples of a block's line are summed side by side; those
/// beyond `wide` are left out at the end.
#[inline(always)]
fn sums_of_lines<'a, T: Copy + Into<f32> + 'a, const C: usize, const N: usize>(
    lines: impl Iterator<Item = &'a [T]>,
    wide: usize,
    full: f32,
) -> Sums {
    let main = main_channel(C);
    let (mut total, mut square, mut highest, mut fine) =
        ([0f32; N], [0f32; N], [0f32; N], [0f32; N]);
    // About the first sample, so that single precision is enough for the squares.
    let (mut zero, mut count) = (None, 0);
    for line in lines {
        let line = samples_of::<T, N>(line);
        let zero = *zero.get_or_insert(line[main]);
        for i in 0..N {
            total[i] += line[i];
            square[i] += (line[i] - zero) * (line[i] - zero);
            highest[i] = highest[i].max(line[i]);
        }
        for i in 0..N - 2 * C {
            fine[i] += (line[i] - line[i + 2 * C]) * (line[i] - line[i + 2 * C]);
        }
        count += 1;
    }
    let pixels = (count * wide) as f32;
    let mean = [0, main, C - 1].map(|c| channel::<C>(&total, c, wide).sum::<f32>() / pixels);
    let about = f64::from((mean[1] - zero.unwrap_or(0.0)) / full);
    let square: f32 = channel::<C>(&square, main, wide).sum();
    let within = wide.saturating_sub(2);
    let fine: f32 = channel::<C>(&fine, main, within).sum();
    Sums {
        mean: mean.map(|m| f64::from(m / full)),
        variance: f64::from(square / pixels / full / full) - about * about,
        fine: f64::from(fine / full / full) / (2 * count * within.max(1)) as f64,
        highest: f64::from(channel::<C>(&highest, main, wide).fold(0.0, f32::max) / full),
    }
}

/// One channel of the first `wide` pixels of a line.
#[inline(always)]
fn channel<const C: usize>(line: &[f32], channel: usize, wide: usize) -> impl Iterator<Item = f32> {
    let pixels = line.as_chunks::<C>().0.iter().take(wide);
    pixels.map(move |pixel| pixel[channel])
}

/// The first `N` samples, with zeros in place of missing ones.
#[inline(always)]
fn samples_of<T: Copy + Into<f32>, const N: usize>(from: &[T]) -> [f32; N] {
    if let Some(all) = from.first_chunk::<N>() {
        return all.map(Into::into);
    }
    std::array::from_fn(|i| from.get(i).map_or(0.0, |&sample| sample.into()))
}

/// 0 for a neutral colour, else 1 + the sixth of the hue circle, from encoded red, green and blue.
#[inline(always)]
fn colour([red, green, blue]: [f64; 3]) -> u8 {
    let (high, low) = (red.max(green).max(blue), red.min(green).min(blue));
    let chroma = high - low;
    if chroma <= COLOURED * high {
        return 0;
    }
    let hue = if high == red {
        (green - blue) / chroma
    } else if high == green {
        2.0 + (blue - red) / chroma
    } else {
        4.0 + (red - green) / chroma
    };
    // Sixths are centred on red, yellow, green, cyan, blue and magenta.
    1 + (hue + 6.5).rem_euclid(6.0).min(5.0) as u8
}

/// Where the classes above the first begin: fifths of the blocks.
fn edges(blocks: &[Block]) -> Vec<f32> {
    let step = (blocks.len() / SAMPLED).max(1);
    let sampled = blocks.iter().step_by(step).map(|b| b.activity);
    let mut values: Vec<f32> = sampled.filter(|a| *a > 0.0).collect();
    values.sort_by(f32::total_cmp);
    let fifth = |k: usize| values.get(values.len() * k / ACTIVITIES).copied();
    (1..ACTIVITIES).filter_map(fifth).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hues_are_sorted_by_sixths_and_greys_are_neutral() {
        for (rgb, wanted) in [
            ([0.5, 0.5, 0.5], 0),
            ([0.5, 0.46, 0.48], 0),
            ([0.8, 0.2, 0.2], 1),
            ([0.8, 0.8, 0.2], 2),
            ([0.2, 0.8, 0.2], 3),
            ([0.2, 0.8, 0.8], 4),
            ([0.2, 0.2, 0.8], 5),
            ([0.8, 0.2, 0.8], 6),
            ([0.8, 0.2, 0.25], 1),
        ] {
            assert_eq!(colour(rgb), wanted, "{rgb:?}");
        }
    }

    /// The slow twin: whole blocks and those that the frame's edge cuts, grey and in colour.
    #[test]
    fn sums_of_a_block_are_those_of_its_samples() {
        for (channels, row, column) in [(3, 0, 1), (3, 8, 8), (1, 0, 0), (1, 8, 8), (3, 2, 12)] {
            let at = |r: usize, c: usize, k: usize| ((r * 20 + c * c * 3 + k * 7) % 251) as u8;
            let samples = Array3::from_shape_fn((13, 13, channels), |(r, c, k)| at(r, c, k));
            let found = sums(&samples, row, column, 255.0).unwrap();
            let level = |r: usize, c: usize, k| f64::from(samples[(r, c, k)]) / 255.0;
            let rows: Vec<usize> = (row..13.min(row + 8)).step_by(2).collect();
            let mean_of = |columns: std::ops::Range<usize>, of: &dyn Fn(usize, usize) -> f64| {
                let places = rows.iter().flat_map(|r| columns.clone().map(|c| of(*r, c)));
                let values: Vec<f64> = places.collect();
                values.iter().sum::<f64>() / values.len().max(1) as f64
            };
            let columns = column..13.min(column + 8);
            let (main, last) = (channels / 2, channels - 1);
            let means = [0, main, last].map(|k| mean_of(columns.clone(), &|r, c| level(r, c, k)));
            let about = |r, c| (level(r, c, main) - means[1]).powi(2);
            let apart = |r, c: usize| (level(r, c, main) - level(r, c + 2, main)).powi(2) / 2.0;
            let inner = column..columns.end.saturating_sub(2).max(column);
            for (found, wanted) in [
                (found.mean[0], means[0]),
                (found.mean[1], means[1]),
                (found.mean[2], means[2]),
                (found.variance, mean_of(columns.clone(), &about)),
                (found.fine, mean_of(inner, &apart)),
            ] {
                assert!(
                    (found - wanted).abs() < 1e-6,
                    "{channels} {row} {column}: {found} {wanted}"
                );
            }
        }
        let samples = Array3::<u8>::zeros((8, 9, 3));
        assert!(sums(&samples, 8, 0, 255.0).is_none());
    }
}
