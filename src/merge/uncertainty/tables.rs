//! Factors of a merge's uncertainties by block and radiance.
use crate::channel::Channel;
use crate::weights::{ByCell, centre};
use ndarray::Array2;
use stopspan_core::model::{ACTIVITIES, BLOCK, BlockClass, ByLevel, COLOURS, Disagreement};

/// Systematic differences that neighbouring frames share do not show between them: with simulated brackets the stated part covers
/// what it should with this factor.
const SHARED: f64 = 1.5;

/// What one channel of a merge corrects its uncertainties by.
#[derive(Debug, Clone)]
pub(crate) struct Corrections {
    /// The channel.
    index: usize,
    /// By activity: factor of the variance from noise.
    statistical: Vec<ByCell<f32>>,
    /// By colour: relative systematic variance to add.
    systematic: Vec<ByCell<f32>>,
}

impl Channel {
    /// Relative exposure per code at the level of a frame, squared, times the frame's variance over that at the reference's sensitivity.
    pub(crate) fn per_code(&self, frame: usize, level: f64) -> f64 {
        let curve = &self.curve;
        let light = &self.lights[frame];
        let x = curve.exposure_at(level).max(1e-9);
        let slope = curve.slope_at(level) / 255.0;
        let variance = |gain: f64| self.noise.variance(x, gain, slope);
        (slope / x).powi(2) * variance(light.gain) / variance(1.0).max(1e-300)
    }

    /// Level of a frame at a cell, fraction of full scale.
    fn level(&self, frame: usize, cell: usize) -> f64 {
        self.curve
            .level_of(centre(cell) * self.lights[frame].factor)
    }

    /// Weight of a frame at a cell, inverse variance of radiance.
    fn weight_of(&self, frame: usize, cell: usize) -> f64 {
        f64::from(self.weights.at(frame, cell as u16))
    }

    /// Sum of the weights at a cell.
    fn weight(&self, cell: usize) -> f64 {
        (0..self.lights.len())
            .map(|j| self.weight_of(j, cell))
            .sum()
    }

    /// Share of every frame in the mean at a cell; `None` where no frame has a weight.
    fn shares(&self, cell: usize) -> Option<Vec<f64>> {
        let (total, frames) = (self.weight(cell), 0..self.lights.len());
        (total > 0.0).then(|| frames.map(|j| self.weight_of(j, cell) / total).collect())
    }
}

impl Corrections {
    /// Tables of channel `index` of a merge.
    pub(crate) fn new(seen: &Disagreement, index: usize, merged: &Channel) -> Self {
        let terms = &seen.channels[index];
        let statistical = |activity: usize| {
            ByCell::new(|cell| {
                let Some(shares) = merged.shares(cell) else {
                    return 1.0;
                };
                let relative = shares.iter().enumerate().map(|(j, share)| {
                    let level = merged.level(j, cell);
                    let per_code = merged.per_code(j, level);
                    let own = share * share * per_code * terms.independent[activity].at(level);
                    let lost = seen.lost.get(j).map_or(0.0, |l| l[activity].at(level));
                    (own, share * (per_code * lost).sqrt())
                });
                // What frames lose alike adds up, what each has of its own adds in quadrature.
                let (own, lost) = relative.fold((0.0, 0.0), |a, b| (a.0 + b.0, a.1 + b.1));
                let variance = (own + lost * lost) * centre(cell).powi(2);
                (variance * merged.weight(cell)) as f32
            })
        };
        let systematic = |colour: usize| {
            ByCell::new(|cell| {
                let Some(shares) = merged.shares(cell) else {
                    return 0.0;
                };
                let by_level: &ByLevel = &terms.systematic[colour];
                let of_frame = |(j, share): (usize, &f64)| {
                    share * share * by_level.at(merged.level(j, cell)).max(0.0)
                };
                let local: f64 = shares.iter().enumerate().map(of_frame).sum();
                let away = (centre(cell) / terms.middle).ln();
                let steps = away / seen.step;
                (local * (SHARED * SHARED + steps * steps) + (seen.span * away).powi(2)) as f32
            })
        };
        Corrections {
            index: index.min(2),
            statistical: (0..ACTIVITIES).map(statistical).collect(),
            systematic: (0..COLOURS).map(systematic).collect(),
        }
    }

    /// Makes standard uncertainties of the variances from noise of one piece of a row, corrected. `blocks` are its blocks.
    #[inline(always)]
    pub(crate) fn conclude_statistical(
        &self,
        blocks: &[BlockClass],
        (cells, room): (&[u16], &mut Room),
        radiance: &[f32],
        statistical: &mut [f32],
    ) {
        let table = |block: &BlockClass| &self.statistical[usize::from(block.activity)];
        look_up(blocks, cells, table, &mut room.from_table);
        room.alike.resize(cells.len(), 0.0);
        for (alike, block) in room.alike.chunks_mut(BLOCK).zip(blocks) {
            alike.fill(block.alike[self.index]);
        }
        let looked_up = room.from_table.iter().zip(&room.alike).zip(radiance);
        for (value, ((factor, alike), radiance)) in statistical.iter_mut().zip(looked_up) {
            let shared = alike * radiance;
            *value = (*value * factor + shared * shared).sqrt();
        }
    }

    /// Adds the systematic part of one piece of a row.
    #[inline(always)]
    pub(crate) fn correct_systematic(
        &self,
        blocks: &[BlockClass],
        (cells, room): (&[u16], &mut Room),
        systematic: &mut [f32],
    ) {
        let table = |block: &BlockClass| &self.systematic[usize::from(block.colour)];
        look_up(blocks, cells, table, &mut room.from_table);
        for (value, more) in systematic.iter_mut().zip(&room.from_table) {
            *value = (*value * *value + more).sqrt().min(1.0);
        }
    }
}

/// Room for what is looked up for the columns of a piece before they are computed, which is done in wide vectors then.
#[derive(Default)]
pub(crate) struct Room {
    from_table: Vec<f32>,
    alike: Vec<f32>,
}

/// Looks up every column's cell in the table of its block.
#[inline(always)]
fn look_up<'t>(
    blocks: &[BlockClass],
    cells: &[u16],
    table: impl Fn(&BlockClass) -> &'t ByCell<f32>,
    out: &mut Vec<f32>,
) {
    out.resize(cells.len(), 0.0);
    let (whole, rest) = out.as_chunks_mut::<BLOCK>();
    let cut = blocks.get(whole.len());
    let (eights, others) = cells.as_chunks::<BLOCK>();
    for ((out, cells), block) in whole.iter_mut().zip(eights).zip(blocks) {
        let table = table(block);
        *out = cells.map(|cell| table.at(cell));
    }
    for (out, &cell) in rest.iter_mut().zip(others) {
        *out = cut.map_or(0.0, |block| table(block).at(cell));
    }
}

/// The classes of the blocks that a piece of a row lies in.
pub(crate) fn blocks_of<'a>(
    all: &'a Array2<BlockClass>,
    row: usize,
    columns: &std::ops::Range<usize>,
) -> &'a [BlockClass] {
    let line = row / BLOCK * all.dim().1;
    let piece = line + columns.start / BLOCK..line + columns.end.div_ceil(BLOCK);
    all.as_slice()
        .and_then(|s| s.get(piece))
        .unwrap_or_default()
}
