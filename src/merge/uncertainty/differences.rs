//! Differences between frames in the reference frame's geometry, on strips of rows spread over the picture.
use crate::merger::Merger;
use crate::resample::ROWS;
use crate::sampling::CLIPPED;
use crate::sums::PIECE;
use crate::weights::CELLS;
use ndarray::Array2;
use rayon::prelude::*;
use stopspan_core::model::{ACTIVITIES, BLOCK, BlockClass};

/// Cells of the merge's tables taken together: a quarter of an octave.
pub(super) const TOGETHER: usize = 4;
/// Number of these.
pub(super) const COARSE: usize = CELLS / TOGETHER;
/// About so many rows are looked at.
const SAMPLED_ROWS: usize = 240;
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
    /// Mean relative difference.
    pub(super) mean: f64,
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
    let (rows, _, channels) = merger.dim();
    let strips = rows / ROWS;
    let every = (rows / SAMPLED_ROWS).max(1);
    let empty = || vec![vec![PairDifferences::new(); pairs.len()]; channels];
    let places: Vec<usize> = (0..strips).skip(every / 2).step_by(every).collect();
    let found: Vec<_> = places
        .par_iter()
        .map(|strip| {
            let mut out = empty();
            let gains = observe_strip(merger, classes, &pairs, strip * ROWS, &mut out);
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

/// Adds the differences of the strip that begins at `first`; returns the mean noise gain of every frame.
fn observe_strip(
    merger: &Merger,
    classes: &Array2<BlockClass>,
    pairs: &[[usize; 2]],
    first: usize,
    out: &mut [Vec<PairDifferences>],
) -> Vec<f64> {
    let (_, columns, channels) = merger.dim();
    let mut scratch = merger.take_scratch();
    merger.read_resampled(&(first..first + ROWS), &mut scratch.resamplers);
    let mut areas = vec![vec![vec![Area::default(); columns / AREA]; pairs.len()]; channels];
    let mut flags = vec![0; columns];
    let mut cells = vec![0; columns];
    for i in 0..ROWS {
        let row = first + i;
        merger.sample(row, i, &mut scratch);
        merger.exclude_motion(row, &mut scratch, &mut flags);
        let line = classes.row(row / BLOCK);
        for channel in 0..channels {
            for from in (0..columns).step_by(PIECE) {
                let piece = from..columns.min(from + PIECE);
                merger.cells(channel, piece.clone(), &mut scratch, &mut cells[piece]);
            }
            for (p, pair) in pairs.iter().enumerate() {
                let usable: Vec<bool> = (0..COARSE)
                    .map(|c| merger.usable_in_both(channel, *pair, (c * TOGETHER) as u16))
                    .collect();
                let [a, b] = pair.map(|j| &scratch.samples[j][channel]);
                for (column, ((a, b), &cell)) in a.iter().zip(b).zip(&cells).enumerate() {
                    let usable = usable[usize::from(cell) / TOGETHER];
                    if !usable || !(*a < CLIPPED && *b < CLIPPED) || a + b <= 0.0 {
                        continue;
                    }
                    let difference = 2.0 * (a - b) / (a + b);
                    let square = difference * difference;
                    let class = line[column / BLOCK];
                    let coarse = usize::from(cell) / TOGETHER;
                    let pixels = &mut out[channel][p].pixels[usize::from(class.activity)][coarse];
                    pixels.count += 1.0;
                    pixels.sum += f64::from(difference.abs());
                    if let Some(area) = areas[channel][p].get_mut(column / AREA) {
                        area.count += 1.0;
                        area.sum += difference;
                        area.square += square;
                        area.cells += f32::from(cell);
                    }
                }
            }
        }
    }
    let gain = |gains: &Vec<f32>| match gains.len() {
        0 => 1.0,
        n => {
            gains
                .iter()
                .map(|g| f64::from(*g))
                .filter(|g| g.is_finite())
                .sum::<f64>()
                / n as f64
        }
    };
    let gains = scratch.noise_gain.iter().map(gain).collect();
    merger.put_back(scratch);
    let line = classes.row(first / BLOCK);
    for (areas, out) in areas.iter().flatten().zip(out.iter_mut().flatten()) {
        let concluded = areas.iter().enumerate().filter_map(|(i, area)| {
            let colour = line[(i * AREA + AREA / 2) / BLOCK].colour;
            area.conclude(usize::from(colour))
        });
        out.areas.extend(concluded);
    }
    gains
}

impl Area {
    /// The mean difference, if enough of the area is seen by both frames.
    fn conclude(&self, colour: usize) -> Option<AreaDifference> {
        let whole = (AREA * AREA) as f32;
        if self.count < FULL * whole {
            return None;
        }
        let mean = f64::from(self.sum / self.count);
        let variance = f64::from(self.square / self.count) - mean * mean;
        Some(AreaDifference {
            cell: (self.cells / self.count) as usize / TOGETHER,
            colour,
            mean,
            noise: variance.max(0.0) / f64::from(self.count),
        })
    }
}
