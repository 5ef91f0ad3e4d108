//! Shares of a scene that exposures record: pixels not clipped and of at least a given SNR, in one frame or merged.
use super::census::{Cell, Census, PER_STOP, centre};
use crate::subject::Source;
use stopspan_core::model::NoiseModel;
use stopspan_core::results::SharesAtSnr;

/// Table of the squared SNR of one pixel of one exposure, by its exposure relative to clipping.
pub(super) struct SnrTable {
    /// Bin of the first entry; the last entry is the bin just below clipping.
    first: i32,
    squared: Vec<f64>,
}

/// Depth of the table below clipping, stops.
const DEPTH: i32 = 40;

impl SnrTable {
    /// The table for the sensor of `source`, at the reference's sensitivity.
    pub fn new(source: &Source, model: &NoiseModel) -> Self {
        let sensor = Source::new(source.curve.clone(), 1.0);
        let first = -DEPTH * PER_STOP;
        SnrTable {
            first,
            squared: (first..0)
                .map(|bin| squared(&sensor, model, centre(bin).exp2()))
                .collect(),
        }
    }

    /// Squared SNR at a bin of exposure; 0 below the table and where it clips.
    pub fn at(&self, bin: i32) -> f64 {
        usize::try_from(bin - self.first)
            .ok()
            .and_then(|place| self.squared.get(place))
            .copied()
            .unwrap_or(0.0)
    }

    /// Share of the pixels of known radiance recorded by the merge of exposures, each shifted by a whole number of bins.
    pub fn share(&self, census: &Census, shifts: &[i32], snr: f64) -> f64 {
        let holds = |cell: &&Cell| {
            let open = shifts.iter().filter(|&&k| cell.bright + k < 0);
            open.map(|&k| self.at(cell.dark + k)).sum::<f64>() >= snr * snr
        };
        let held: f64 = census
            .cells
            .iter()
            .filter(holds)
            .map(|c| f64::from(c.count))
            .sum();
        held / census.known().max(1.0)
    }
}

/// Squared SNR of one pixel of an exposure at a scene radiance; 0 at or below the black floor.
fn squared(source: &Source, model: &NoiseModel, radiance: f64) -> f64 {
    let x = radiance * source.relative_exposure;
    if radiance <= source.floor() {
        return 0.0;
    }
    x * x
        / model
            .variance(x, source.gain, source.slope(radiance))
            .max(1e-300)
}

/// Shares of all pixels that each frame and the merge record, at each SNR.
pub(super) fn held(
    census: &Census,
    sources: &[Source],
    model: &NoiseModel,
    snrs: &[f64],
) -> Vec<SharesAtSnr> {
    let low = census.cells.iter().map(|c| c.dark).min().unwrap_or(0);
    let high = census.cells.iter().map(|c| c.dark).max().unwrap_or(0);
    let tables: Vec<Vec<f64>> = sources
        .iter()
        .map(|s| {
            (low..=high)
                .map(|bin| squared(s, model, centre(bin).exp2()))
                .collect()
        })
        .collect();
    let clips: Vec<f64> = sources
        .iter()
        .map(|s| -s.relative_exposure.log2())
        .collect();
    let mut counts = vec![vec![0.0; sources.len() + 1]; snrs.len()];
    for cell in &census.cells {
        let place = (cell.dark - low) as usize;
        let mut merged = 0.0;
        for (frame, (table, clip)) in tables.iter().zip(&clips).enumerate() {
            if centre(cell.bright) >= *clip {
                continue;
            }
            merged += table[place];
            add(&mut counts, snrs, frame, table[place], cell.count);
        }
        add(&mut counts, snrs, sources.len(), merged, cell.count);
    }
    let all = census.pixels.max(1) as f64;
    let row = |(snr, row): (&f64, Vec<f64>)| SharesAtSnr {
        snr: *snr,
        frames: row[..sources.len()].iter().map(|n| n / all).collect(),
        merge: row[sources.len()] / all,
    };
    snrs.iter().zip(counts).map(row).collect()
}

/// Share of all pixels that each frame clips in some channel.
pub(super) fn clipped(census: &Census, sources: &[Source]) -> Vec<f64> {
    let all = census.pixels.max(1) as f64;
    let share = |source: &Source| {
        let clip = -source.relative_exposure.log2();
        let cells = census.cells.iter().filter(|c| centre(c.bright) >= clip);
        let count: f64 = cells.map(|c| f64::from(c.count)).sum();
        (count + census.clipped as f64) / all
    };
    sources.iter().map(share).collect()
}

/// Squared SNR of one pixel of the merge at a radiance that no frame clips.
pub(super) fn merged(sources: &[Source], model: &NoiseModel, radiance: f64) -> f64 {
    sources.iter().map(|s| squared(s, model, radiance)).sum()
}

/// Adds `count` pixels to one column of every row whose SNR they reach.
fn add(counts: &mut [Vec<f64>], snrs: &[f64], column: usize, squared: f64, count: u32) {
    for (row, snr) in counts.iter_mut().zip(snrs) {
        if squared >= snr * snr {
            row[column] += f64::from(count);
        }
    }
}
