//! Exposure ratios of pairs of frames measured through a response, and their closure over triples.
//!
//! A ratio is the weighted mean of the log2 exposure differences of co-located blocks, as in Hanji and Mantiuk (2023). If the
//! response was fitted to the same frames, the ratios depend on its exponent, hence on the span in the metadata.
use super::blocks::BlockSamples;
use rayon::prelude::*;
use stopspan_core::model::ResponseCurve;
use stopspan_core::model::{Closure, ExposureCheck, PairRatio};
use stopspan_core::units::Estimate;

/// Least distance of a usable block from the floor, and of its largest sample from the clip level, codes.
pub(crate) const MARGIN: (f64, f64) = (6.0, 4.0);

/// log2 exposure difference (second - first) over the blocks usable in both frames, of all channels together, with its
/// standard uncertainty from the scatter. Blocks beyond 4 robust deviations are dropped. `None` with fewer than 30 blocks.
pub(crate) fn measure(
    samples: &[BlockSamples],
    curves: &[ResponseCurve],
    first: usize,
    second: usize,
) -> Option<Estimate> {
    let of_channel = |(channel, curve): (&BlockSamples, &ResponseCurve)| {
        let tables = LogTable::new(curve);
        let both = |block: usize| {
            let (i, k) = (
                block * channel.frames + first,
                block * channel.frames + second,
            );
            let (a, b) = (tables.look(channel, i)?, tables.look(channel, k)?);
            Some((b.0 - a.0, 1.0 / (a.1 + b.1)))
        };
        (0..channel.len()).filter_map(both).collect()
    };
    let channels: Vec<Vec<(f64, f64)>> = samples.par_iter().zip(curves).map(of_channel).collect();
    let mut values = channels.concat();
    if values.len() < 30 {
        return None;
    }
    let mut ordered: Vec<f64> = values.iter().map(|v| v.0).collect();
    let middle = ordered.len() / 2;
    let median = *ordered.select_nth_unstable_by(middle, f64::total_cmp).1;
    let mut away: Vec<f64> = values.iter().map(|v| (v.0 - median).abs()).collect();
    let spread = 1.4826 * *away.select_nth_unstable_by(middle, f64::total_cmp).1;
    values.retain(|v| (v.0 - median).abs() <= 4.0 * spread.max(1e-9));
    let total: f64 = values.iter().map(|v| v.1).sum();
    let mean = values.iter().map(|v| v.0 * v.1).sum::<f64>() / total;
    let scatter = values
        .iter()
        .map(|v| (v.1 * (v.0 - mean)).powi(2))
        .sum::<f64>()
        .sqrt()
        / total;
    Some(Estimate::new(mean, scatter))
}

/// Half the difference of the ratio of two frames between the darker and the brighter half of the blocks usable in both, stops,
/// through a table of log2 exposure by code. `None` with fewer than 60 blocks that lie at least `above` codes above the floor.
pub(crate) fn halves_apart(
    samples: &BlockSamples,
    table: &[f64],
    (first, second): (usize, usize),
    above: f64,
) -> Option<f64> {
    let tables = LogTable::of_codes(samples, table, above);
    let both = |block: usize| {
        let i = block * samples.frames;
        let (a, b) = (
            tables.look(samples, i + first)?,
            tables.look(samples, i + second)?,
        );
        // The sum of both logarithms favours the noise of neither frame.
        Some((a.0 + b.0, b.0 - a.0))
    };
    let mut seen: Vec<(f64, f64)> = (0..samples.len()).filter_map(both).collect();
    if seen.len() < 60 {
        return None;
    }
    seen.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let half = seen.len() / 2;
    let (dark, bright) = seen.split_at_mut(half);
    let middle = |half: &mut [(f64, f64)]| {
        let at = half.len() / 2;
        half.select_nth_unstable_by(at, |a, b| a.1.total_cmp(&b.1))
            .1
            .1
    };
    Some((middle(bright) - middle(dark)).abs() / 2.0)
}

/// Measures all pairs and closures. `names`, `stated` and `used` exposures have one entry a frame.
pub(crate) fn check(
    samples: &[BlockSamples],
    curves: &[ResponseCurve],
    names: &[String],
    stated: &[Estimate],
    used: &[Estimate],
) -> ExposureCheck {
    let mut out = ExposureCheck::default();
    let count = names.len();
    let mut measured = vec![vec![None; count]; count];
    let both: Vec<(usize, usize)> = (0..count)
        .flat_map(|first| (first + 1..count).map(move |second| (first, second)))
        .collect();
    let found: Vec<Option<Estimate>> = both
        .par_iter()
        .map(|&(first, second)| measure(samples, curves, first, second))
        .collect();
    for ((first, second), estimate) in both.into_iter().zip(found) {
        measured[first][second] = estimate;
        out.pairs.push(PairRatio {
            first: names[first].clone(),
            second: names[second].clone(),
            stated: Estimate::new(
                stated[second].value - stated[first].value,
                stated[second]
                    .standard_uncertainty
                    .hypot(stated[first].standard_uncertainty),
            ),
            measured: estimate,
            used_stops: used[second].value - used[first].value,
        });
    }
    for a in 0..count {
        for b in a + 1..count {
            for c in b + 1..count {
                if let (Some(ab), Some(bc), Some(ac)) =
                    (measured[a][b], measured[b][c], measured[a][c])
                {
                    let u = [ab, bc, ac]
                        .iter()
                        .map(|e: &Estimate| e.standard_uncertainty.powi(2))
                        .sum::<f64>()
                        .sqrt();
                    out.closures.push(Closure {
                        files: [names[a].clone(), names[b].clone(), names[c].clone()],
                        closure: Estimate::new(ab.value + bc.value - ac.value, u),
                    });
                }
            }
        }
    }
    out
}

/// Fast look-up of log2 exposure and its slope at fractional codes.
pub(crate) struct LogTable {
    /// log2 exposure at 1025 equally spaced levels.
    log2: Vec<f64>,
    /// Range of usable codes.
    low: f64,
    high: f64,
}

impl LogTable {
    fn new(curve: &ResponseCurve) -> Self {
        let log2 = (0..=1024)
            .map(|i| curve.exposure_at(f64::from(i) / 1024.0).max(1e-12).log2())
            .collect();
        LogTable {
            log2,
            low: (curve.floor_level * 255.0 + MARGIN.0).max(curve.supported.0 * 255.0),
            high: curve.clip_level.min(1.0) * 255.0 - MARGIN.1,
        }
    }

    /// The table of a fit, log2 exposure by 8-bit code, for blocks at least `above` codes above the floor.
    pub(crate) fn of_codes(samples: &BlockSamples, table: &[f64], above: f64) -> Self {
        let at = |i: usize| {
            let code = i as f64 / 1024.0 * 255.0;
            let node = (code as usize).min(table.len() - 2);
            table[node] + (code - node as f64) * (table[node + 1] - table[node])
        };
        LogTable {
            log2: (0..=1024).map(at).collect(),
            low: f64::from(samples.floor) + above,
            high: 255.0 - MARGIN.1,
        }
    }

    /// log2 exposure of a block mean and its variance, stops^2; `None` if it is too near black or clipping, or too noisy.
    pub(crate) fn look(&self, samples: &BlockSamples, index: usize) -> Option<(f64, f64)> {
        let code = f64::from(samples.mean[index]);
        let deviation = f64::from(samples.variance[index]).sqrt();
        if code - 2.0 * deviation < self.low || f64::from(samples.peak[index]) > self.high {
            return None;
        }
        let place = code / 255.0 * 1024.0;
        let node = (place as usize).min(1023);
        let slope = (self.log2[node + 1] - self.log2[node]) * 1024.0 / 255.0;
        let value =
            self.log2[node] + (place - node as f64) * (self.log2[node + 1] - self.log2[node]);
        // JPEG and texture leave a twentieth of a code in a block mean, however low its noise.
        let variance =
            (0.05f64.powi(2) + deviation * deviation / samples.pixels as f64) * slope * slope;
        (deviation * slope < 0.3).then_some((value, variance))
    }
}
