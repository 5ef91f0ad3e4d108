//! Differences between frames in the reference frame's geometry, on strips of rows spread over the picture.
use crate::merger::Merger;
use crate::resample::ROWS;
use crate::sampling::NO_VALUE;
use crate::scratch::Scratch;
use crate::sums::PIECE;
use crate::weights::CELLS;
use ndarray::Array2;
use rayon::prelude::*;
use stopspan_core::model::{ACTIVITIES, BLOCK, BlockClass};

/// Cells of the merge's tables taken together: a quarter of an octave.
pub(super) const TOGETHER: usize = 4;
/// Number of these.
pub(super) const COARSE: usize = CELLS / TOGETHER;
/// About so many pixels are looked at.
const SAMPLED: usize = 700_000;
/// In wider pictures half of every row is looked at.
const WIDE: usize = 2_000;
/// Side of the areas whose means are compared, pixels.
const AREA: usize = 16;
/// Least share of an area that both frames must show.
const FULL: f32 = 0.75;

/// Number of differences and sum of their absolute values, which what moved unnoticed influences less than it does squares.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Spread {
    pub(super) count: f64,
    pub(super) sum: f64,
}

impl Spread {
    fn add(&mut self, difference: f32) {
        self.count += 1.0;
        self.sum += f64::from(difference.abs());
    }

    /// Mean square of normal differences with this mean absolute value: pi/2 times its square.
    pub(super) fn mean_square(&self) -> f64 {
        std::f64::consts::FRAC_PI_2 * (self.sum / self.count.max(1.0)).powi(2)
    }
}

/// Mean difference of two frames over one area.
#[derive(Debug, Clone, Copy)]
pub(super) struct AreaDifference {
    /// Coarse cell of the scene's radiance.
    pub(super) cell: usize,
    /// Class of colour.
    pub(super) colour: usize,
    /// Class of activity.
    pub(super) activity: usize,
    /// Mean relative difference.
    pub(super) mean: f64,
    /// Variance of the differences of pixels about that mean.
    pub(super) within: f64,
    /// Variance of that mean if pixels differ independently.
    pub(super) noise: f64,
}

/// What two frames differ by in one channel, relative to the radiance.
#[derive(Debug, Clone)]
pub(super) struct PairDifferences {
    /// By class of activity and coarse cell: differences of pixels.
    pub(super) pixels: Vec<[Spread; COARSE]>,
    /// Of areas of 16 x 16.
    pub(super) areas: Vec<AreaDifference>,
}

impl PairDifferences {
    fn new() -> Self {
        PairDifferences {
            pixels: vec![[Spread::default(); COARSE]; ACTIVITIES],
            areas: Vec::new(),
        }
    }

    fn join(&mut self, other: PairDifferences) {
        let all = self.pixels.iter_mut().flatten();
        for (a, b) in all.zip(other.pixels.iter().flatten()) {
            a.count += b.count;
            a.sum += b.sum;
        }
        self.areas.extend(other.areas);
    }
}

/// Differences by channel and pair; `noise_gain` is the mean factor by which resampling changes each frame's variance.
pub(super) struct Differences {
    pub(super) pairs: Vec<[usize; 2]>,
    pub(super) channels: Vec<Vec<PairDifferences>>,
    pub(super) noise_gain: Vec<f64>,
}

/// Sums of one area over its pixels so far.
#[derive(Clone, Copy, Default)]
struct Area {
    count: f32,
    sum: f32,
    square: f32,
    cells: f32,
}

/// Compares each frame with the next brighter one and with the one after that.
pub(super) fn observe(merger: &Merger, classes: &Array2<BlockClass>) -> Differences {
    let pairs = neighbours(merger);
    let comparison = Comparison::new(merger, classes, &pairs);
    let (rows, columns, channels) = merger.dim();
    let strips = rows / ROWS;
    let in_row = columns / pieces_apart(columns);
    let every = (rows * in_row / SAMPLED).max(1);
    let empty = || vec![vec![PairDifferences::new(); pairs.len()]; channels];
    let places: Vec<usize> = (0..strips).skip(every / 2).step_by(every).collect();
    let found: Vec<_> = places
        .par_iter()
        .map(|strip| {
            let mut out = empty();
            let gains = comparison.add_strip(strip * ROWS, &mut out);
            (out, gains)
        })
        .collect();
    let mut all = empty();
    let mut noise_gain = vec![0.0; merger.bracket.frames.len()];
    let count = found.len().max(1) as f64;
    for (strip, gains) in found {
        for (all, strip) in all.iter_mut().flatten().zip(strip.into_iter().flatten()) {
            all.join(strip);
        }
        noise_gain
            .iter_mut()
            .zip(gains)
            .for_each(|(sum, gain)| *sum += gain / count);
    }
    Differences {
        pairs,
        channels: all,
        noise_gain,
    }
}

/// Distance of the pieces of a row that are looked at, pieces.
fn pieces_apart(columns: usize) -> usize {
    if columns > WIDE { 2 } else { 1 }
}

/// Pairs of frames one and two apart in order of exposure.
fn neighbours(merger: &Merger) -> Vec<[usize; 2]> {
    let bracket = merger.bracket;
    let mut order: Vec<usize> = (0..bracket.frames.len()).collect();
    order.sort_by(|&a, &b| {
        bracket
            .relative_exposure(a)
            .total_cmp(&bracket.relative_exposure(b))
    });
    let next = order.windows(2).map(|w| [w[0], w[1]]);
    let second = order.windows(3).map(|w| [w[0], w[2]]);
    next.chain(second).collect()
}

/// What is compared: a merge, the classes of its blocks and pairs of its frames.
struct Comparison<'a> {
    merger: &'a Merger<'a>,
    classes: &'a Array2<BlockClass>,
    pairs: &'a [[usize; 2]],
    /// By channel and pair: whether both frames are used at a coarse cell.
    usable: Vec<Vec<Vec<bool>>>,
}

impl<'a> Comparison<'a> {
    fn new(
        merger: &'a Merger<'a>,
        classes: &'a Array2<BlockClass>,
        pairs: &'a [[usize; 2]],
    ) -> Self {
        let cells = |channel: usize, pair: &[usize; 2]| {
            let usable = |c: usize| merger.usable_in_both(channel, *pair, (c * TOGETHER) as u16);
            (0..COARSE).map(usable).collect()
        };
        let of_channel = |channel| pairs.iter().map(|pair| cells(channel, pair)).collect();
        Comparison {
            merger,
            classes,
            pairs,
            usable: (0..merger.dim().2).map(of_channel).collect(),
        }
    }

    /// Adds the differences of the strip that begins at row `first`; returns the mean noise gain of every frame.
    fn add_strip(&self, first: usize, out: &mut [Vec<PairDifferences>]) -> Vec<f64> {
        let (_, columns, channels) = self.merger.dim();
        let mut scratch = self.merger.take_scratch();
        let rows = first..first + ROWS;
        self.merger.read_resampled(&rows, &mut scratch.resamplers);
        let none = vec![Area::default(); columns / AREA];
        let mut areas = vec![vec![none; self.pairs.len()]; channels];
        let mut flags = vec![0; columns];
        for (i, row) in rows.enumerate() {
            self.merger.sample(row, i, &mut scratch);
            self.merger.exclude_motion(row, &mut scratch, &mut flags);
            for (channel, (out, areas)) in out.iter_mut().zip(&mut areas).enumerate() {
                self.add_row([row, channel], &mut scratch, out, areas);
            }
        }
        let gains = scratch.noise_gain.iter().map(|g| mean_gain(g)).collect();
        self.merger.put_back(scratch);
        let line = self.classes.row(first / BLOCK);
        for (areas, out) in areas.iter().flatten().zip(out.iter_mut().flatten()) {
            let concluded = areas
                .iter()
                .enumerate()
                .filter_map(|(i, area)| area.conclude(&line[(i * AREA + AREA / 2) / BLOCK]));
            out.areas.extend(concluded);
        }
        gains
    }

    /// Adds one channel of the row that the scratch holds.
    fn add_row(
        &self,
        [row, channel]: [usize; 2],
        scratch: &mut Scratch,
        out: &mut [PairDifferences],
        areas: &mut [Vec<Area>],
    ) {
        let columns = self.merger.dim().1;
        let line = self.classes.row(row / BLOCK);
        let mut cells = [0; PIECE];
        // Where pieces are left out, others are from strip to strip.
        let apart = pieces_apart(columns);
        let first = row / ROWS % apart * PIECE;
        for from in (first..columns).step_by(apart * PIECE) {
            let piece = from..columns.min(from + PIECE);
            let cells = &mut cells[..piece.len()];
            self.merger.cells(channel, piece.clone(), scratch, cells);
            let pairs = self.pairs.iter().zip(&self.usable[channel]);
            for ((pair, usable), (out, areas)) in pairs.zip(out.iter_mut().zip(areas.iter_mut())) {
                let [a, b] = pair.map(|j| &scratch.samples[j][channel][piece.clone()]);
                let samples = a.iter().zip(b).zip(&*cells);
                for (column, ((a, b), &cell)) in piece.clone().zip(samples) {
                    let coarse = usize::from(cell) / TOGETHER;
                    // Samples that are clipped or missing are infinite or not a number.
                    let total = a + b;
                    if !(usable[coarse] && total > 0.0 && total < NO_VALUE) {
                        continue;
                    }
                    let difference = 2.0 * (a - b) / total;
                    let activity = usize::from(line[column / BLOCK].activity);
                    out.pixels[activity][coarse].add(difference);
                    if let Some(area) = areas.get_mut(column / AREA) {
                        area.add(difference, cell);
                    }
                }
            }
        }
    }
}

/// Mean factor by which resampling changes the variance of a frame's row; 1 for a frame that is not resampled.
fn mean_gain(gains: &[f32]) -> f64 {
    let known = gains.iter().filter(|g| g.is_finite());
    let count = known.clone().count();
    match count {
        0 => 1.0,
        n => known.map(|g| f64::from(*g)).sum::<f64>() / n as f64,
    }
}

impl Area {
    fn add(&mut self, difference: f32, cell: u16) {
        self.count += 1.0;
        self.sum += difference;
        self.square += difference * difference;
        self.cells += f32::from(cell);
    }

    /// The mean difference, if enough of the area is seen by both frames.
    fn conclude(&self, class: &BlockClass) -> Option<AreaDifference> {
        let whole = (AREA * AREA) as f32;
        if self.count < FULL * whole {
            return None;
        }
        let mean = f64::from(self.sum / self.count);
        let within = (f64::from(self.square / self.count) - mean * mean).max(0.0);
        Some(AreaDifference {
            cell: (self.cells / self.count) as usize / TOGETHER,
            colour: usize::from(class.colour),
            activity: usize::from(class.activity),
            mean,
            within,
            noise: within / f64::from(self.count),
        })
    }
}
