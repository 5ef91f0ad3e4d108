//! Calibration of the comparison on the pixels of the bracket itself: ratios and squared differences by level and colour.
//!
//! Compression correlates neighbouring pixels, responses are slightly wrong, and more so for strong colours, noise reduction differs
//! between exposures, sensors alias. Medians and upper points of the differences of two frames measure what these
//! effects leave. Up to a tenth of the pixels of a level or a colour may have moved before they are affected, and ratios are
//! bounded, so that motion does not raise the limits that it is judged by.
use super::colour::{CLASSES, ColourRow, quarter_octave};
use super::compare::{Pair, clipped, near_clipped};
use super::misfit::{self, Misfit};
use super::squares::{SQUARED_RESIDUAL, gradients};
use super::view::{ChannelRows, View};
use rayon::prelude::*;

/// Median of chi-square with one degree of freedom.
const MEDIAN: f32 = 0.454_94;
/// Number of bins of radiance, a quarter of an octave each.
pub(super) const LEVELS: usize = 96;
/// Largest correction of the ratio of radiances at a level, relative.
const MOST_RATIO_ERROR: f32 = 0.05;
/// Largest correction of the ratio for a colour, as a factor: in red and blue (0.4 stop), and in green (0.12 stop), which curves
/// agree on best. Brackets of one camera differ by 0.1 stop in red and blue for strong colours, and a steep curve near
/// black or white multiplies that.
const MOST_COLOUR_RATIO: [f32; 3] = [1.32, 1.09, 1.32];
/// 90 % point of chi-square with one degree of freedom.
const NINE_TENTHS: f32 = 2.705_5;
/// Bounds on the factor on the model's variance. It is never below 1: compression flattens most of a uniform area and
/// leaves isolated errors in it.
const SCALE: (f32, f32) = (1.0, 12.0);
/// Approximate number of blocks used of each frame, in whole rows, and of all pairs and channels together at most.
const BLOCKS: usize = 100_000;
const ALL_BLOCKS: usize = 3_000_000;
/// Least number of blocks in a bin that is used: of a level, and of a colour.
pub(super) const ENOUGH: usize = 100;
const ENOUGH_OF_A_COLOUR: usize = 60;

/// Calibration of one pair of frames, by channel.
#[derive(Debug, Clone)]
pub(super) struct Calibration(Vec<ChannelCalibration>);

/// Calibration of one channel of a pair.
#[derive(Debug, Clone)]
struct ChannelCalibration {
    levels: [LevelCalibration; LEVELS],
    /// Radiance of the frame over that of the base, by half octave and class of colour; empty for frames without colour.
    ratios: Vec<f32>,
    misfit: Misfit,
}

/// Calibration of one pair at one level.
#[derive(Debug, Clone, Copy)]
struct LevelCalibration {
    /// Radiance of the frame over that of the base, all colours together.
    ratio: f32,
    /// Factor on the model's variance, within [`SCALE`].
    scale: f32,
}

/// What is expected of a row of blocks, by block.
pub(super) struct ExpectedRow<'a> {
    /// Radiance in the frame.
    pub radiance: &'a mut [f32],
    /// Factor on the model's variance.
    pub scale: &'a mut [f32],
    /// Variance of the difference from response errors that differ between colours and places.
    pub systematic: &'a mut [f32],
}

impl Calibration {
    /// What is expected of the frame in channel `c` for the radiances and colours of the base.
    #[inline(always)]
    pub(super) fn expect(&self, c: usize, base: &[f32], colours: &ColourRow, out: ExpectedRow) {
        let this = &self.0[c];
        let blocks = base.iter().zip(&colours.class).zip(&colours.chroma);
        let out = out.radiance.iter_mut().zip(out.scale).zip(out.systematic);
        for (((radiance, scale), systematic), ((&x, &class), &chroma)) in out.zip(blocks) {
            let level = level(x);
            *radiance = this.ratio(level, class) * x;
            *scale = this.levels[level].scale;
            *systematic = this.misfit.variance(level, x, chroma);
        }
    }
}

impl ChannelCalibration {
    #[inline(always)]
    fn ratio(&self, level: usize, class: u16) -> f32 {
        let at = level / 2 * CLASSES + usize::from(class);
        match self.ratios.get(at) {
            Some(ratio) => *ratio,
            None => self.levels[level].ratio,
        }
    }
}

/// Bin of a radiance: its quarter octave, counted from 2^-18 of the reference's clip level.
#[inline(always)]
pub(super) fn level(radiance: f32) -> usize {
    let quarter = quarter_octave(radiance) - ((127 - 18) << 2);
    quarter.clamp(0, LEVELS as i32 - 1) as usize
}

/// One block that is neither black nor clipped in either frame.
#[derive(Clone, Copy)]
pub(super) struct Sample {
    /// Radiance in the frame.
    pub frame: f32,
    /// Radiance in the base.
    pub base: f32,
    /// Variance of their difference by the model.
    pub variance: f32,
    /// Squared gradient of the base, radiance^2 per pixel^2.
    texture: f32,
    /// Distance of the base from grey; see [`ColourRow`].
    pub chroma: f32,
    /// Mean radiance of the frame and of the base in the window of 3 x 3 blocks; NaN where one of these is no value.
    pub window: [f32; 2],
    class: u16,
}

impl Sample {
    /// Squared difference of the frame from `ratio` times the base.
    fn square(&self, ratio: f32) -> f32 {
        (self.frame - ratio * self.base).powi(2)
    }

    /// True if the block is so flat that the position error allowed for changes it by no more than noise.
    fn is_flat(&self) -> bool {
        self.texture * SQUARED_RESIDUAL < 9.0 * self.variance
    }
}

/// Calibrations of all pairs, in their order.
pub(super) fn measure(views: &[View], reference: usize, pairs: &[Pair]) -> Vec<Calibration> {
    let (down, across) = views[reference].dim();
    let channels = views[reference].channels();
    let wanted = BLOCKS.min(ALL_BLOCKS / (pairs.len() * channels).max(1));
    let step = (down * across / wanted.max(1)).max(1);
    let rows: Vec<usize> = (1..down - 1).step_by(step).collect();
    let read: Vec<Vec<Vec<Sample>>> = rows
        .into_par_iter()
        .map(|row| sample_row(views, pairs, row))
        .collect();
    let unit = |k: usize| {
        let mut by_level: Vec<Vec<Sample>> = vec![Vec::new(); LEVELS];
        for sample in read.iter().flat_map(|row| &row[k]) {
            by_level[level(sample.base)].push(*sample);
        }
        let bound = (channels == 3).then(|| MOST_COLOUR_RATIO[k % channels]);
        calibrate(&by_level, bound)
    };
    let units: Vec<_> = (0..pairs.len() * channels)
        .into_par_iter()
        .map(unit)
        .collect();
    let of_pair = |units: &[ChannelCalibration]| Calibration(units.to_vec());
    units.chunks_exact(channels).map(of_pair).collect()
}

/// The flat samples of one row of blocks, by channel within pair.
fn sample_row(views: &[View], pairs: &[Pair], row: usize) -> Vec<Vec<Sample>> {
    let frames: Vec<Surroundings> = views.iter().map(|v| Surroundings::read(v, row)).collect();
    let mut colours = ColourRow::new(views[0].dim().1);
    let mut out = Vec::new();
    for pair in pairs {
        let (frame, base) = (&frames[pair.frame], &frames[pair.base]);
        colours.fill(&base.line);
        for c in 0..base.line.len() {
            let blocks = 0..base.near.len();
            let seen = blocks.filter(|&i| frame.is_value(c, i) && base.is_value(c, i));
            let sample = |i: usize| Sample {
                frame: frame.line[c].radiance[i],
                base: base.line[c].radiance[i],
                variance: frame.line[c].variance[i] + base.line[c].variance[i],
                texture: base.texture[c][i],
                chroma: colours.chroma[i],
                window: [frame.window[c][i], base.window[c][i]],
                class: colours.class[i],
            };
            out.push(seen.map(sample).filter(Sample::is_flat).collect());
        }
    }
    out
}

/// A row of blocks of one frame, and what surrounds each.
struct Surroundings {
    line: ChannelRows,
    /// 1 for blocks with a clipped block among their eight neighbours or themselves, else 0.
    near: Vec<f32>,
    /// By channel: squared gradient, radiance^2 per pixel^2.
    texture: Vec<Vec<f32>>,
    /// By channel: mean radiance of the 3 x 3 blocks; NaN unless all of them are values.
    window: Vec<Vec<f32>>,
}

impl Surroundings {
    /// Reads a row that is neither the first nor the last.
    fn read(view: &View, row: usize) -> Self {
        let rows = [row - 1, row, row + 1].map(|r| {
            let mut line = view.empty_rows();
            view.read(r, &mut line);
            line
        });
        let across = view.dim().1;
        let marks = rows.each_ref().map(|line| {
            let mut out = vec![0.0; across];
            clipped(line, &mut out);
            out
        });
        let mut near = vec![0.0; across];
        near_clipped(marks.each_ref().map(Vec::as_slice), &mut near);
        let channels = 0..view.channels();
        let texture = |c: usize| {
            let mut out = vec![0.0; across];
            let radiance = rows.each_ref().map(|line| line[c].radiance.as_slice());
            gradients(radiance, view.side(), &mut out);
            out
        };
        Surroundings {
            near,
            texture: channels.clone().map(texture).collect(),
            window: channels.map(|c| window_means(&rows, c)).collect(),
            line: {
                let [_, line, _] = rows;
                line
            },
        }
    }

    /// True for a block that is neither black nor clipped, nor next to a clipped one.
    fn is_value(&self, channel: usize, block: usize) -> bool {
        let line = &self.line[channel];
        self.near[block] == 0.0 && line.at_least[block] * line.at_most[block] == 1.0
    }
}

/// Mean radiance of channel `c` in the 3 x 3 blocks about each block of the middle row; NaN unless all of them are values.
fn window_means(rows: &[ChannelRows; 3], c: usize) -> Vec<f32> {
    let values = rows.each_ref().map(|row| {
        let bounds = row[c].at_least.iter().zip(&row[c].at_most);
        let values = row[c].radiance.iter().zip(bounds);
        let value = |(x, (least, most)): (&f32, (&f32, &f32))| {
            if least * most == 1.0 { *x } else { f32::NAN }
        };
        values.map(value).collect::<Vec<f32>>()
    });
    let [above, line, below] = values.each_ref().map(|row| row.windows(3));
    let mut out = vec![f32::NAN; values[1].len()];
    for (out, ((a, b), c)) in out[1..].iter_mut().zip(above.zip(line).zip(below)) {
        let sum = a[0] + a[1] + a[2] + b[0] + b[1] + b[2] + c[0] + c[1] + c[2];
        *out = sum / 9.0;
    }
    out
}

/// Ratio, scale and misfit, from flat blocks by level. `bound` is the largest ratio of a colour; `None` for frames without colour.
fn calibrate(by_level: &[Vec<Sample>], bound: Option<f32>) -> ChannelCalibration {
    let even = LevelCalibration {
        ratio: 1.0,
        scale: 1.0,
    };
    let mut found = ChannelCalibration {
        levels: [even; LEVELS],
        ratios: Vec::new(),
        misfit: Misfit::NONE,
    };
    for (this, bin) in found.levels.iter_mut().zip(by_level) {
        let mut ratios: Vec<f32> = bin.iter().map(|s| s.frame / s.base).collect();
        if let Some(ratio) = median(&mut ratios, ENOUGH) {
            this.ratio = ratio.clamp(1.0 - MOST_RATIO_ERROR, 1.0 + MOST_RATIO_ERROR);
        }
    }
    if let Some(bound) = bound {
        found.ratios = ratios_by_colour(by_level, &found.levels, bound);
    }
    let ratio = |s: &Sample| found.ratio(level(s.base), s.class);
    let all = scale(by_level.iter().flatten(), &ratio).unwrap_or(1.0);
    let scales: Vec<f32> = by_level
        .iter()
        .map(|bin| scale(bin.iter(), &ratio).unwrap_or(all))
        .collect();
    let noise = |s: &Sample| s.variance * scales[level(s.base)];
    let misfit = misfit::measure(by_level, &ratio, &noise);
    for (this, scale) in found.levels.iter_mut().zip(&scales) {
        this.scale = *scale;
    }
    found.misfit = misfit;
    found
}

/// Ratios by half octave and class of colour: the median of the samples of both; where they are few, that of the level times
/// what the class departs from it by at all levels; where these are few as well, that of the level.
fn ratios_by_colour(
    by_level: &[Vec<Sample>],
    levels: &[LevelCalibration; LEVELS],
    most: f32,
) -> Vec<f32> {
    let bounded = |ratio: f32| ratio.clamp(1.0 / most, most);
    let cell = |s: &Sample| level(s.base) / 2 * CLASSES + usize::from(s.class);
    let mut of_class: Vec<Vec<f32>> = vec![Vec::new(); CLASSES];
    let mut of_cell: Vec<Vec<f32>> = vec![Vec::new(); LEVELS / 2 * CLASSES];
    for s in by_level.iter().flatten() {
        let ratio = s.frame / s.base;
        of_class[usize::from(s.class)].push(ratio / levels[level(s.base)].ratio);
        of_cell[cell(s)].push(ratio);
    }
    let enough = |ratios: &mut Vec<f32>| median(ratios, ENOUGH_OF_A_COLOUR);
    let of_class: Vec<f32> = of_class
        .iter_mut()
        .map(|ratios| enough(ratios).unwrap_or(1.0))
        .collect();
    let cells = of_cell.iter_mut().enumerate().map(|(cell, ratios)| {
        let level = &levels[cell / CLASSES * 2];
        let coarse = || level.ratio * of_class[cell % CLASSES];
        bounded(enough(ratios).unwrap_or_else(coarse))
    });
    cells.collect()
}

/// Squared differences over the model's variance, by their median and their 90 % point, whichever is larger; `None` with
/// fewer than [`ENOUGH`] samples.
fn scale<'s>(
    samples: impl Iterator<Item = &'s Sample>,
    ratio: &impl Fn(&Sample) -> f32,
) -> Option<f32> {
    let squares = samples.map(|s| s.square(ratio(s)) / s.variance);
    let mut squares: Vec<f32> = squares.collect();
    let median = median(&mut squares, ENOUGH)? / MEDIAN;
    let place = squares.len() * 9 / 10;
    let tail = *squares.select_nth_unstable_by(place, f32::total_cmp).1 / NINE_TENTHS;
    Some(median.max(tail).clamp(SCALE.0, SCALE.1))
}

/// The median; `None` of fewer than `enough` values.
fn median(values: &mut [f32], enough: usize) -> Option<f32> {
    if values.len() < enough {
        return None;
    }
    let middle = values.len() / 2;
    Some(*values.select_nth_unstable_by(middle, f32::total_cmp).1)
}
