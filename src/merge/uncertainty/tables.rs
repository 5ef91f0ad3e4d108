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
    /// By activity: factor of the standard uncertainty from noise.
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
                (variance * merged.weight(cell)).sqrt() as f32
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

    /// Corrects statistical uncertainties of one piece of a row. `blocks` are its blocks.
    #[inline(always)]
    pub(crate) fn correct_statistical(
        &self,
        blocks: &[BlockClass],
        cells: &[u16],
        radiance: &[f32],
        statistical: &mut [f32],
    ) {
        let combined = |value: f32, factor: f32, shared: f32| {
            let own = value * factor;
            (own * own + shared * shared).sqrt()
        };
        // Arrays of a fixed length, so that the loop over them is vectorised.
        let (values, rest) = statistical.as_chunks_mut::<BLOCK>();
        let whole = values.len();
        let inputs = cells.as_chunks::<BLOCK>().0.iter();
        let inputs = inputs.zip(radiance.as_chunks::<BLOCK>().0).zip(blocks);
        for (values, ((cells, radiance), block)) in values.iter_mut().zip(inputs) {
            let table = &self.statistical[usize::from(block.activity)];
            let alike = block.alike[self.index];
            let factors = cells.map(|cell| table.at(cell));
            for k in 0..BLOCK {
                values[k] = combined(values[k], factors[k], alike * radiance[k]);
            }
        }
        if let Some(block) = blocks.get(whole) {
            let table = &self.statistical[usize::from(block.activity)];
            let cut = cells.iter().zip(radiance).skip(whole * BLOCK);
            for (value, (&cell, &radiance)) in rest.iter_mut().zip(cut) {
                *value = combined(*value, table.at(cell), block.alike[self.index] * radiance);
            }
        }
    }

    /// Adds the systematic part of one piece of a row.
    #[inline(always)]
    pub(crate) fn correct_systematic(
        &self,
        blocks: &[BlockClass],
        cells: &[u16],
        systematic: &mut [f32],
    ) {
        let combined = |value: f32, more: f32| (value * value + more).sqrt().min(1.0);
        let (values, rest) = systematic.as_chunks_mut::<BLOCK>();
        let whole = values.len();
        let inputs = cells.as_chunks::<BLOCK>().0.iter().zip(blocks);
        for (values, (cells, block)) in values.iter_mut().zip(inputs) {
            let table = &self.systematic[usize::from(block.colour)];
            let more = cells.map(|cell| table.at(cell));
            for k in 0..BLOCK {
                values[k] = combined(values[k], more[k]);
            }
        }
        if let Some(block) = blocks.get(whole) {
            let table = &self.systematic[usize::from(block.colour)];
            let cut = cells.iter().skip(whole * BLOCK);
            for (value, &cell) in rest.iter_mut().zip(cut) {
                *value = combined(*value, table.at(cell));
            }
        }
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
